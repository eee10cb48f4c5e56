"""Writes the files that a person names, and never over what is not of the kind being written.

Every command that writes a file goes through :func:`new_file`. The log, what SQLite keeps beside
it, the configuration and recordings are refused by whatever name, link or spelling they are
reached; any other file is replaced only if its first bytes say that it is of the same kind. The new
file is complete and on the disk before it takes its name. Until then it has a unique name in the
same folder, which is removed however the command ends; after a power cut the next write does it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import EbbwattError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from typing import IO

    from logger.config import Config

#: Of files that people hand on: their group may read them, nobody else. Whatever the umask is.
FILE_MODE = 0o640
FOLDER_MODE = 0o750
#: Of files for programs of other users: a collector of values, a web server.
PUBLIC_MODE = 0o644
#: First and last bytes of a file by which its kind is told.
HEAD = 4096
#: What SQLite and the logger keep beside a database; a log that is at rest may lack them.
BESIDE = ("-wal", "-shm", "-journal", ".lock", ".mending")
#: A file name is at most 255 bytes long (NAME_MAX of Linux); a part of it is enough to know it by.
_NAME = 40


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file that a command writes: its name, and how it is recognised.

    ``is_one`` takes the first and the last bytes of a file, :data:`HEAD` of each at most.
    """

    name: str
    is_one: Callable[[bytes, bytes], bool]


def kept_of_store(store: Path) -> dict[Path, str]:
    """Return the files of a database that no output may replace, and what each is."""
    names = (store, Path(os.path.realpath(store)))
    beside = {
        path.with_name(path.name + end): "a part of the log" for path in names for end in BESIDE
    }
    return beside | dict.fromkeys(names, "the log itself")


def kept(config: Config, *read: Path | None) -> dict[Path, str]:
    """Return the files that no output may replace, and what each is.

    ``read`` are files that this very command reads; None is left out.
    """
    source = config.source or {}
    named = [source.get(key) for key in ("path", "description")]
    sources = [config.path.parent / name for name in named if isinstance(name, str)]
    return (
        dict.fromkeys(sources, "what the source reads")
        | {path: "what this command reads" for path in read if path is not None}
        | {config.path: "the configuration"}
        | kept_of_store(config.store.path)
    )


def check_output(path: Path, kind: Kind, keep: Mapping[Path, str]) -> Path:
    """Return the file that ``path`` stands for, links followed, if it may be written.

    Raises
    ------
    UsageError
        If it is one of ``keep``, or there is a file that is not of the kind being written.
    EbbwattError
        If it cannot be looked at.
    """
    try:
        real = Path(os.path.realpath(path))
        for one, what in keep.items():
            if _same(real, one):
                raise UsageError(f"{path}: is {what}; name another file")
        if not real.parent.is_dir():
            raise EbbwattError(f"{path}: the folder {real.parent} does not exist; create it first")
        with contextlib.suppress(FileNotFoundError):
            _check_there(path, real, kind)
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror or error}") from None
    return real


def _check_there(path: Path, real: Path, kind: Kind) -> None:
    """Refuse what is there if it is not of the kind; nothing is lost with an empty file."""
    mode = real.stat().st_mode
    if stat.S_ISDIR(mode):
        raise UsageError(f"{path}: is a directory; name a file to write to")
    if not stat.S_ISREG(mode):
        raise UsageError(f"{path}: is no plain file; name a file to write to")
    with real.open("rb") as file:
        head = file.read(HEAD)
        file.seek(max(0, real.stat().st_size - HEAD))
        tail = file.read(HEAD)
    if head and not kind.is_one(head, tail):
        raise UsageError(
            f"{path}: is there already and is no {kind.name} of Ebbwatt; name another file"
        )


def _same(real: Path, one: Path) -> bool:
    """Tell whether both are one file, by whatever link, or would be by another spelling."""
    try:
        if real.exists() and one.exists() and real.samefile(one):
            return True
    except OSError:
        pass
    other = Path(os.path.realpath(one))
    return real.name.casefold() == other.name.casefold() and real.parent == other.parent


class _Partial:
    """A file under a unique name beside its target, until it takes the target's name."""

    def __init__(self, path: Path, kind: Kind, keep: Mapping[Path, str], mode: int) -> None:
        self._named = path
        self._kind = kind
        self._keep = keep
        self._real = check_output(path, kind, keep)
        _sweep(self._real)
        self.handle, name = tempfile.mkstemp(".part", _prefix(self._real), self._real.parent)
        self.path = Path(name)
        with contextlib.suppress(OSError):
            # Tells the next write that somebody is still at it.
            fcntl.flock(self.handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with contextlib.suppress(OSError):  # a stick may know no modes
            os.fchmod(self.handle, mode)

    def settle(self) -> None:
        """Put the file onto the disk and give it the target's name."""
        os.fsync(self.handle)
        # Somebody else may have put a file there meanwhile.
        check_output(self._named, self._kind, self._keep)
        self.path.replace(self._real)
        _synchronise(self._real.parent)

    def close(self) -> None:
        """Let go of the file, and remove it if it has not taken the target's name."""
        os.close(self.handle)
        for end in ("", "-journal", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                self.path.with_name(self.path.name + end).unlink()


@contextlib.contextmanager
def _partial(
    path: Path, kind: Kind, keep: Mapping[Path, str], mode: int = FILE_MODE
) -> Iterator[_Partial]:
    partial = None
    try:
        partial = _Partial(path, kind, keep, mode)
        yield partial
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        if partial is not None:
            partial.close()


@contextlib.contextmanager
def new_file(
    path: Path, kind: Kind, keep: Mapping[Path, str], mode: int = FILE_MODE
) -> Iterator[Path]:
    """Give an empty file to write to; at the end of the context it becomes ``path``.

    If anything is raised, nothing becomes ``path`` and what was there stays.

    Raises
    ------
    UsageError
        As for :func:`check_output`.
    EbbwattError
        If it cannot be written.
    """
    with _partial(path, kind, keep, mode) as partial:
        yield partial.path
        partial.settle()


@contextlib.contextmanager
def growing_file(
    path: Path, kind: Kind, keep: Mapping[Path, str]
) -> Iterator[tuple[IO[str], Callable[[], None]]]:
    """Give a text file that grows by whole lines, and what gives it the name ``path``.

    It keeps that name however the context ends; without the name it is removed.

    Raises
    ------
    EbbwattError
        As for :func:`new_file`.
    """
    with (
        _partial(path, kind, keep) as partial,
        partial.path.open("w", encoding="utf-8", newline="\n") as file,
    ):
        yield file, partial.settle


def write_whole(
    path: Path, content: str, kind: Kind, keep: Mapping[Path, str], mode: int = FILE_MODE
) -> None:
    """Replace a text file by a complete new one.

    Raises
    ------
    EbbwattError
        As for :func:`new_file`.
    """
    with new_file(path, kind, keep, mode) as partial:
        partial.write_text(content, encoding="utf-8")


def _prefix(real: Path) -> str:
    short = real.name.encode("utf-8", "surrogateescape")[:_NAME].decode("utf-8", "ignore")
    return f".{short}.ebbwatt-"


def _sweep(real: Path) -> None:
    """Remove what a write that a power cut or kill -9 ended has left: nobody holds it any more."""
    prefix = _prefix(real)
    with contextlib.suppress(OSError):
        for left in real.parent.iterdir():
            if not left.name.startswith(prefix) or not left.name.endswith(".part"):
                continue
            with contextlib.suppress(OSError):
                handle = os.open(left, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
                try:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    left.unlink()
                finally:
                    os.close(handle)


def _synchronise(folder: Path) -> None:
    with contextlib.suppress(OSError):  # a file system that cannot do this to a folder
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
