"""Writes a text file so that its readers find the old one or the new one, never half of one."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from logger.errors import EbbwattError

if TYPE_CHECKING:
    from pathlib import Path


def write_whole(path: Path, content: str) -> None:
    """Replace a text file by a complete new one.

    Raises
    ------
    EbbwattError
        If the file cannot be written.
    """
    if path.is_dir():
        raise EbbwattError(f"{path}: is a directory; name a file to write to")
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            partial.write_text(content, encoding="utf-8")
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror}") from None
