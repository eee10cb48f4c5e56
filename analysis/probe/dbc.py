"""Compiles a DBC into the form that the logger reads, with cantools, in the command alone.

The form is JSON beside the DBC (:mod:`logger.sources.can.signals`), made anew by ``ebbwatt check``
where it is missing or the DBC has changed.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Any

from logger.errors import UsageError
from logger.refusals import one_line
from logger.sources.can.signals import (
    EXTENDED,
    FORM,
    LONGEST_FILE,
    MOST_BYTES,
    compiled_path,
    fingerprint,
    read_compiled,
)
from logger.system.output import Kind, write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

#: A DBC of a whole vehicle is a few megabytes.
LONGEST_DBC = 20_000_000
COMPILED = Kind("compiled DBC", lambda head, _tail: head.startswith(_head()))


def _head() -> bytes:
    return b'{"form": "' + FORM.encode() + b'"'


def compile_all(path: Path, data: Mapping[str, Any]) -> list[str]:
    """Compile every DBC that a configuration or a description names and that needs it.

    Returns a line for each that was compiled.

    Raises
    ------
    UsageError
        If a DBC cannot be read or compiled, or cantools is not installed.
    """
    return [told for dbc in _named(path, data) if (told := _compile_if_needed(dbc)) is not None]


def _named(path: Path, data: Mapping[str, Any]) -> list[Path]:
    """Return the DBC files that the tables name, those of described devices included."""
    from logger.errors import ConfigError
    from logger.settings import read_document

    given = data.get("source")
    tables = [t for t in (data, *(given if isinstance(given, list) else [given])) if t]
    found: list[Path] = []
    for table in tables:
        if not isinstance(table, dict):
            continue
        decoder = table.get("decoder")
        if isinstance(decoder, dict) and decoder.get("kind") == "can":
            dbc = decoder.get("dbc")
            found += [path.parent / dbc] if isinstance(dbc, str) else []
        described = table.get("description")
        if isinstance(described, str) and table is not data:
            beside = path.parent / described
            try:
                found += _named(beside, read_document(beside).data)
            except ConfigError:
                continue  # told by who reads it
    return found


def _compile_if_needed(dbc: Path) -> str | None:
    """Compile a DBC unless its compiled form is that of the same file; say what was done."""
    if not dbc.is_file():
        return None  # the logger does without it where the compiled form is there
    compiled = compiled_path(dbc)
    try:
        with dbc.open("rb") as file:
            content = file.read(LONGEST_DBC + 1)
    except OSError as error:
        raise UsageError(f"{dbc}: cannot be read: {error.strerror or error}") from None
    if len(content) > LONGEST_DBC:
        raise UsageError(f"{dbc}: is longer than {LONGEST_DBC // 1_000_000} MB: is it a DBC?")
    try:
        with compiled.open("rb") as file:
            if read_compiled(file.read(LONGEST_FILE + 1))[0] == fingerprint(content):
                return None
    except (OSError, ValueError):
        pass  # it is made anew
    text, signals, left_out = compile_dbc(dbc, content)
    write_whole(compiled, text, COMPILED, {dbc: "the DBC itself"})
    rest = f"; left out: {', '.join(left_out[:5])}" if left_out else ""
    rest += f" and {len(left_out) - 5} more" if len(left_out) > 5 else ""
    return f"{dbc}: compiled into {compiled.name}, {signals} signals{rest}"


def compile_dbc(dbc: Path, content: bytes) -> tuple[str, int, list[str]]:
    """Return the compiled form, the number of its signals, and what had to be left out.

    Raises
    ------
    UsageError
        If cantools is not installed, or does not take the file.
    """
    try:
        import cantools
    except ImportError:
        raise UsageError(
            f"{dbc}: to compile it, cantools is needed: pip install 'ebbwatt[can]'"
        ) from None
    try:
        # DBC files have no declared encoding; cp1252 is what their editors write.
        made: Any = cantools.database.load_string(content.decode("cp1252", "replace"), "dbc")
    except Exception as error:  # noqa: BLE001 - the library's parsers raise whatever they like
        raise UsageError(
            f"{dbc}: no DBC that can be compiled: {one_line(str(error), 200)}"
        ) from None
    signals: dict[str, dict[str, Any]] = {}
    left_out: list[str] = []
    names = Counter(signal.name for message in made.messages for signal in message.signals)
    for message in made.messages:
        pages = {s.name: s for s in message.signals if s.is_multiplexer}
        for signal in message.signals:
            whole = f"{message.name}.{signal.name}"
            nested = signal.multiplexer_ids and signal.is_multiplexer
            if message.length > MOST_BYTES or nested:
                left_out.append(whole)
                continue
            page = signal.multiplexer_signal if signal.multiplexer_ids else None
            if page is not None and page not in pages:
                left_out.append(whole)
                continue
            name = signal.name if names[signal.name] == 1 else whole
            signals[name] = _signal(message, signal)
            if page is not None:
                pages_name = page if names[page] == 1 else f"{message.name}.{page}"
                signals[name] |= {"pages": pages_name, "page": list(signal.multiplexer_ids)}
    if not signals:
        raise UsageError(f"{dbc}: holds no signal of a frame of at most {MOST_BYTES} bytes")
    form = {"form": FORM, "fingerprint": fingerprint(content), "signals": signals}
    text = json.dumps(form, indent=1).replace('{\n "form"', '{"form"', 1) + "\n"
    try:
        read_compiled(text.encode())
    except ValueError as error:
        raise UsageError(f"{dbc}: compiles to what the logger does not take: {error}") from None
    return text, len(signals), left_out


def _signal(message: Any, signal: Any) -> dict[str, Any]:  # noqa: ANN401 - cantools has no stubs for these
    identifier = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
    return {
        "identifier": identifier,
        "start": signal.start,
        "length": signal.length,
        "little": signal.byte_order == "little_endian",
        "signed": signal.is_signed,
        "is_float": signal.is_float,
        "scale": signal.scale,
        "offset": signal.offset,
        "low": signal.minimum,
        "high": signal.maximum,
        "choices": {str(raw): str(word) for raw, word in (signal.choices or {}).items()},
    }
