"""Writes a first description of a device from what it said, for ``probe --write``.

What is proved stands as a line; what is only likely has what was seen beside it, for a person to
look at. ``check --against`` then judges it.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from analysis.probe.draft_frames import frame_draft
from analysis.probe.draft_text import columns_by_question, text_draft
from logger.errors import ConfigError, EbbwattError
from logger.sources.description import read_description

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.probe.heard import Heard
    from logger.sources.description import Poll

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
    text = sum(1 for b in data if 32 <= b < 127 or b in b"\r\n\t")
    columns = {} if poll is None else columns_by_question(heard)
    if poll is not None:
        parts.append(_poll_table(poll, columns, echo=poll.echo or heard.echoed))
    if not heard.packets and data and text > 0.9 * len(data):
        parts.append(text_draft(heard, columns))
    else:
        parts.append(frame_draft(heard))
    return _HEAD + "\n".join(parts)


def save(path: Path, text: str) -> list[str]:
    """Write a description that is not there yet, and return what to say of it.

    Raises
    ------
    EbbwattError
        If it cannot be written.
    """
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
