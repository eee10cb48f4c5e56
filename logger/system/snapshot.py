"""The live snapshot: the daemon's newest values, in a small file on a memory file system.

The dashboard reads it, and the card is not written for that. The file is replaced atomically, so a
reader sees the old one or the new one, never half of one. Its age is measured by
``CLOCK_BOOTTIME``: a file of a dead daemon is recognised whatever the wall clock shows.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import time
import zlib
from contextlib import suppress
from dataclasses import dataclass, field, fields
from functools import cache
from operator import attrgetter
from pathlib import Path
from typing import Any

from logger.reading import OperatingState, Reading
from logger.system.output import FILE_MODE, make_private_folder

#: A snapshot older than this is stale, s: the daemon writes one at least every ten seconds.
STALE_AFTER_S = 15.0
#: Number of the file's format; a reader ignores others.
_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The daemon's values when it wrote the file.

    ``boottime_s`` and ``written_s`` are the same instant on ``CLOCK_BOOTTIME`` and as Unix time.
    ``reading`` is the newest one (its ``time_s`` on the session's clock), ``reading_age_s`` its
    age at that instant. ``open_energy_j`` belongs to the open interval, which is not stored yet.
    ``energy_j`` is what was given since the logger started; it never falls.
    """

    boottime_s: float
    written_s: float
    boot_id: str
    session: int
    source: str
    link: str
    link_reason: str
    reading: Reading | None
    reading_age_s: float | None
    open_energy_j: float | None = None
    energy_j: float | None = None
    waiting_intervals: int = 0
    readings: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    notices: tuple[str, ...] = ()
    gap_s: float | None = None
    """The longest silence that is usual for this source, s; a longer one is a gap."""
    state_since_utc_s: float | None = None
    """When the state of ``reading`` began; not before the logger's start."""

    def age_s(self, boottime_s: float, boot_id: str) -> float | None:
        """Return the age of the file, s, or None if it is from another boot."""
        return boottime_s - self.boottime_s if boot_id == self.boot_id else None


def boottime_s() -> float:
    """Return ``CLOCK_BOOTTIME``, s; it runs in suspend and never steps (clock_gettime(2))."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@cache
def boot_id() -> str:
    """Return the kernel's random id of this boot (random(4))."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


def snapshot_path(store: Path) -> Path:
    """Return the path of a database's snapshot; daemon and dashboard find the same one.

    It is never in a folder that others may write to, such as the one for temporary files: another
    user could put a file of that name there first.
    """
    # Not hashlib, which loads OpenSSL: 4 MiB of the daemon's 30.
    name = f"live-{zlib.crc32(os.fsencode(store.absolute())):08x}.json"
    if folder := os.environ.get("RUNTIME_DIRECTORY"):
        return Path(folder.split(":")[0]) / name
    service = Path("/run/ebbwatt")
    with suppress(OSError):  # no service here, or none that this user may look at
        if service.lstat().st_uid == os.geteuid() or (service / name).exists():
            return service / name
    if folder := os.environ.get("XDG_RUNTIME_DIR"):
        return Path(folder) / "ebbwatt" / name
    # The XDG Base Directory Specification: state that outlives a restart, and its default.
    state = os.environ.get("XDG_STATE_HOME", "")
    if state.startswith("/"):
        return Path(state) / "ebbwatt" / name
    try:
        return Path("~/.local/state/ebbwatt").expanduser() / name
    except RuntimeError:  # a user without a home
        return store.absolute().parent / name


class ForeignFolderError(OSError):
    """A folder that other users may write to: they could redirect the files written into it."""


def own_folder(folder: str | Path) -> None:
    """Make a folder if it is missing, and check that nobody else may write to it.

    Raises
    ------
    ForeignFolderError
        If it belongs to another user, others may write to it, or it is a link.
    OSError
        If it cannot be made.
    """
    try:
        found = os.lstat(folder)
    except FileNotFoundError:
        make_private_folder(Path(folder))
        found = os.lstat(folder)
    if not stat.S_ISDIR(found.st_mode):
        raise ForeignFolderError(errno.ENOTDIR, "is a link or no folder: remove it")
    if found.st_uid != os.geteuid():
        raise ForeignFolderError(errno.EPERM, "its folder belongs to another user")
    if found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise ForeignFolderError(errno.EPERM, "others may write to its folder: chmod go-w it")


_encode = json.JSONEncoder(allow_nan=False).encode
_KEYS = tuple(f.name for f in fields(Snapshot))
_values = attrgetter(*_KEYS)
_READING_KEYS = tuple(f.name for f in fields(Reading))
_reading_values = attrgetter(*_READING_KEYS)
_FLAGS = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class SnapshotFile:
    """The file that one daemon writes.

    Parameters
    ----------
    path
        Where it is; the folder need not exist yet.
    """

    def __init__(self, path: Path) -> None:
        # Texts: a path object costs as much as the writing.
        self._path, self._temporary, self._folder = str(path), f"{path}.new", str(path.parent)

    def write(self, snapshot: Snapshot) -> None:
        """Replace the file atomically; not synchronised, because it is on a memory file system.

        This uses few calls, because it is most of the processor time of a reading a second.
        """
        data: dict[str, Any] = dict(zip(_KEYS, _values(snapshot), strict=True))
        if snapshot.reading is not None:
            values = _reading_values(snapshot.reading)
            data["reading"] = dict(zip(_READING_KEYS, values, strict=True))
        data["format"] = _FORMAT
        text = _encode(data).encode()
        own_folder(self._folder)
        try:
            file = os.open(self._temporary, _FLAGS, FILE_MODE)
        except FileExistsError:  # a killed daemon left it in our own folder
            os.unlink(self._temporary)  # noqa: PTH108 - the path is a text here
            file = os.open(self._temporary, _FLAGS, FILE_MODE)
        try:
            os.fchmod(file, FILE_MODE)  # whatever the umask is
            os.write(file, text)
        finally:
            os.close(file)
        os.replace(self._temporary, self._path)  # noqa: PTH105 - as above


def read_snapshot(path: Path) -> Snapshot | None:
    """Return the snapshot, or None if there is none or it cannot be understood."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data.pop("format") != _FORMAT:
            return None
        if data["reading"] is not None:
            data["reading"]["state"] = OperatingState(data["reading"]["state"])
            data["reading"] = Reading(**data["reading"])
        data["notices"] = tuple(data["notices"])
        # A daemon of another version may tell more.
        return Snapshot(**{key: data[key] for key in _KEYS if key in data})
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
