"""Moves the configuration to a new unit: three settings change, comments and all else stay.

The old file is kept beside the new one, which takes its name whole or not at all.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import tomlkit

from logger.config import config_of
from logger.errors import EbbwattError, UsageError
from logger.settings import Document, read_document
from logger.store.file_format.carried import is_database
from logger.store.files import free_name, synchronise
from logger.system.output import Kind, new_file

if TYPE_CHECKING:
    from datetime import date

_CONFIGURATION = Kind("configuration", lambda _head, _tail: True)


def moved(path: Path, rated_w: float, serial: str, fitted: date) -> str:
    """Return the text of a configuration with rated output, serial and day of the new unit.

    Raises
    ------
    UsageError
        If it is a database that carries its configuration: there is no file to change.
    ConfigError
        If the file cannot be read, or would not be a good configuration afterwards.
    """
    if is_database(path):
        raise UsageError(
            f"{path}: is a database; name the configuration of the logger with --config FILE"
        )
    read_document(path)
    text = path.read_bytes().decode("utf-8")
    document = tomlkit.parse(text)
    charger = cast("dict[str, Any]", document["charger"])
    for key, value in (("rated_w", float(rated_w)), ("serial", serial), ("fitted", fitted)):
        charger[key] = value
    changed = tomlkit.dumps(document)
    config_of(Document(path, tomlkit.parse(changed).unwrap()))
    return changed


def replace_kept(path: Path, text: str) -> Path:
    """Give a configuration a new text; return where the old file is kept.

    Mode and owner stay. Whatever happens, the file is whole: the old one or the new one.

    Raises
    ------
    EbbwattError
        If it cannot be written; then nothing has changed.
    """
    real = Path(os.path.realpath(path))
    kept = free_name(real, "before-exchange")
    try:
        there = real.stat()
        shutil.copy2(real, kept)
        synchronise(kept)
        with new_file(real, _CONFIGURATION, {}, there.st_mode & 0o777) as partial:
            partial.write_text(text, encoding="utf-8", newline="")
            with contextlib.suppress(OSError):
                os.chown(partial, there.st_uid, there.st_gid)
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror or error}") from None
    return kept
