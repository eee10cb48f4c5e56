"""Writes the files that a user names, and replaces only files of the same kind.

Every command that writes a file goes through :func:`new_file`. It never replaces the log, SQLite's
files beside it, the configuration or a recording, whatever name, link or spelling leads to them. It
replaces any other file only if its first bytes show the same kind. The new file is complete and on
the disk before it takes its name. Until then it has a unique name in the same folder; that file is
removed when the command ends, or, after a power cut, by the next write.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import EbbwattError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from typing import IO

    from logger.config import Config

#: Modes of files and folders that people hand on, whatever the umask is: the group may read them,
#: others may not.
FILE_MODE = 0o640
FOLDER_MODE = 0o750
#: Mode of files for programs of other users, such as a web server.
PUBLIC_MODE = 0o644
#: Number of first and of last bytes that show the kind of a file.
HEAD = 4096
#: Ends of the names of files that SQLite and the logger keep beside a database; they may be absent.
BESIDE = ("-wal", "-shm", "-journal", ".lock", ".mending")
#: Bytes of a file's name that go into its temporary name: the whole is at most 255 bytes long
#: (NAME_MAX of Linux).
_NAME = 40


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file that a command writes: its name, and how it is recognised.

    ``is_one`` takes the first and the last bytes of a file, :data:`HEAD` of each at most.
    """

    name: str
    is_one: Callable[[bytes, bytes], bool]


def kept_of_store(store: Path) -> dict[Path, str]:
    """Return the files of a database that no output may replace, each with a description."""
    names = (store, Path(os.path.realpath(store)))
    beside = {
        path.with_name(path.name + end): "a part of the log" for path in names for end in BESIDE
    }
    return beside | dict.fromkeys(names, "the log itself")


def kept(config: Config, *read: Path | None) -> dict[Path, str]:
    """Return the files that no output may replace, each with a description.

    ``read`` are files that this command reads; None is ignored.
    """
    tables = config.sources or (config.source or {},)
    named = [table.get(key) for table in tables for key in ("path", "description")]
    sources = [config.path.parent / name for name in named if isinstance(name, str)]
    return (
        dict.fromkeys(sources, "what the source reads")
        | {path: "what this command reads" for path in read if path is not None}
        | {config.path: "the configuration"}
        | kept_of_store(config.store.path)
    )


def make_private_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing, whatever the umask is.

    Raises
    ------
    OSError
        If one of them cannot be made.
    """
    if not folder.parent.is_dir():
        make_private_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
        folder.chmod(FOLDER_MODE)


def check_output(path: Path, kind: Kind, keep: Mapping[Path, str]) -> Path:
    """Return the file that ``path`` leads to, through links, if it may be written.

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
            raise UsageError(f"{path}: the folder {real.parent} does not exist; create it first")
        with contextlib.suppress(FileNotFoundError):
            _check_there(path, real, kind)
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror or error}") from None
    return real


def _check_there(path: Path, real: Path, kind: Kind) -> None:
    """Refuse an existing file that is not of the kind; an empty file may be replaced."""
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
    """Tell whether both are one file, by any link, or differ only in upper and lower case."""
    try:
        if real.exists() and one.exists() and real.samefile(one):
            return True
    except OSError:
        pass
    other = Path(os.path.realpath(one))
    return real.name.casefold() == other.name.casefold() and real.parent == other.parent


class _Partial:
    """A file under a unique name beside its target, until it takes the target's name."""

    def __init__(self, path: Path, kind: Kind, keep: Mapping[Path, str]) -> None:
        self._named = path
        self._kind = kind
        self._keep = keep
        self._real = check_output(path, kind, keep)
        # The name is there before the file is, so that a signal right after leaves no file behind.
        self.path = self._real.with_name(f"{_prefix(self._real)}{os.urandom(8).hex()}.part")
        self.handle = -1

    def create(self, mode: int) -> None:
        """Create the file, locked."""
        _sweep(self._real)
        self.handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        with contextlib.suppress(OSError):
            # The lock shows other writes that this file is still in use.
            fcntl.flock(self.handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with contextlib.suppress(OSError):  # a stick may know no modes
            os.fchmod(self.handle, mode)

    def settle(self) -> None:
        """Put the file onto the disk and give it the target's name."""
        os.fsync(self.handle)
        # Check again: another program may have put a file there meanwhile.
        check_output(self._named, self._kind, self._keep)
        self.path.replace(self._real)
        _synchronise(self._real.parent)

    def close(self) -> None:
        """Close the file, and remove it if it has not taken the target's name."""
        if self.handle >= 0:
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
        partial = _Partial(path, kind, keep)
        partial.create(mode)
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

    If anything is raised, an existing ``path`` stays as it was.

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
    """Give a text file that grows by whole lines, and a function that names it ``path``.

    Once named, it keeps that name however the context ends; unnamed, it is removed.

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
    """Remove files left by writes that a power cut or kill -9 ended: their locks are free."""
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
    with contextlib.suppress(OSError):  # some file systems cannot synchronise a folder
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
