"""A fleet's folder for one report alone, where the copies need not stay."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_PREFIX, _LOCK = "ebbwatt-fleet-", "in-use"


@contextlib.contextmanager
def passing_folder() -> Iterator[Path]:
    """Give a folder that is removed at the end; after a kill, the next command removes it."""
    _remove_left_over(Path(tempfile.gettempdir()))
    with tempfile.TemporaryDirectory(prefix=_PREFIX, ignore_cleanup_errors=True) as work:
        # Held as long as this process lives: the system lets go of it, however that ends.
        unnamed = Path(work, f"{_LOCK}.new")
        handle = os.open(unnamed, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            # It has its name once it is locked: another command never takes the folder for left.
            unnamed.rename(Path(work, _LOCK))
            yield Path(work, "fleet")
        finally:
            os.close(handle)


def _remove_left_over(parent: Path) -> None:
    """Remove folders of commands that were killed; not those of other users or in use."""
    for old in parent.glob(f"{_PREFIX}*"):
        with contextlib.suppress(OSError):
            if old.is_symlink() or old.stat().st_uid != os.getuid():
                continue
            handle = os.open(old / _LOCK, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(old, ignore_errors=True)
            finally:
                os.close(handle)
