"""An empty database: to prepare one takes a child process, a sixth of a second of the processor."""

import tempfile
from functools import cache
from pathlib import Path

from logger.store.files import prepare


@cache
def empty_database():
    """Return the bytes of a prepared, empty database; a process prepares one."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "empty.db"
        prepare(path)
        return path.read_bytes()


def put_empty(path):
    """Put an empty database there, where there is none yet."""
    if not path.exists():
        path.write_bytes(empty_database())
