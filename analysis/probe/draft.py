"""Writes a first description of a device from what it said, for ``probe --write``.

What is proved stands as a line; what is only likely has what was seen beside it, for a person to
look at. ``check --against`` then judges it.
"""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING, Any

from analysis.probe.draft_frames import frame_draft
from analysis.probe.draft_text import columns_by_question, text_draft
from analysis.probe.guesses import plain_bytes
from logger.errors import ConfigError, EbbwattError
from logger.sources.description import read_description

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.probe.heard import Heard
    from logger.sources.description import Poll

#: Bytes are text if more than this part of them is ASCII that can be printed; with line ends and
#: hardly a control code, which binary frames are full of, a smaller part is enough (our choice).
_TEXT, _LETTERED_TEXT = 0.9, 0.6
_FEW_ENDS, _MOST_CONTROL = 4, 0.02
_HEAD = """\
# A first description, written by `ebbwatt probe --write FILE`. Check each line that says `seen`,
# and give each word in [states] its state. Then `ebbwatt check FILE --against CAPTURE` judges it.

[device]
label = "my charger"

"""


def draft(heard: Heard, line: Mapping[str, Any] | None = None, poll: Poll | None = None) -> str:
    """Return a description; where none can be made of what came, it says so in a remark.

    Parameters
    ----------
    heard
        What came.
    line
        The [line] table by which it came.
    poll
        How the device was asked.
    """
    parts = []
    if line:
        parts.append("[line]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in line.items()))
    data = heard.data
    columns = {} if poll is None else columns_by_question(heard)
    if poll is not None:
        parts.append(_poll_table(poll, columns, echo=poll.echo or heard.echoed))
    if not heard.packets and _are_lines(data):
        parts.append(text_draft(heard, columns))
    else:
        parts.append(frame_draft(heard))
    return _HEAD + "\n".join(parts)


def _are_lines(data: bytes) -> bool:
    """Tell whether bytes are lines of text, whose letters may be beyond ASCII."""
    ascii_part = plain_bytes(data) / max(len(data), 1)
    control = sum(1 for b in data if (b < 32 and b not in b"\r\n\t") or b == 127)
    ends = data.count(b"\n") + data.count(b"\r")
    lettered = ends >= _FEW_ENDS and control <= _MOST_CONTROL * len(data)
    return ascii_part > (_LETTERED_TEXT if lettered else _TEXT)


def save(path: Path, text: str) -> list[str]:
    """Write a description that is not there yet, and return what to say of it.

    Raises
    ------
    EbbwattError
        If it cannot be written, or is no valid TOML, which is an error of this program.
    """
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise EbbwattError(
            f"{path}: not written: the description that was drawn up cannot be read ({error}); "
            f"please report this with a capture, and describe the device by hand"
        ) from None
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror}") from None
    said = [f"{path}: written; check it, then write description = FILE into [source]"]
    try:
        read_description(path)
    except ConfigError as error:
        said.append(f"it is not complete yet: {error}")
    return said


def _poll_table(poll: Poll, columns: Mapping[bytes, list[str]], *, echo: bool) -> str:
    lines = ["[poll]", "send = ["]
    for request in poll.requests:
        payload = request.payload
        asked = (
            f"text = {json.dumps(payload.decode())}"
            if payload.isascii()
            else f'hex = "{payload.hex()}"'
        )
        named = columns.get(payload)
        more = f", columns = {json.dumps(named)}" if named else ""
        lines.append(f"    {{ {asked}{more} }},")
    lines += ["]", f"every_s = {poll.every_s:g}", f"answer_s = {poll.answer_s:g}"]
    lines += ["echo = true"] if echo else []
    return "\n".join(lines) + "\n"
