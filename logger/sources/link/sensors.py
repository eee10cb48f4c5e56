"""One Linux sensor of the class hwmon: found by its name, read by a thread of its own.

Numbers such as hwmon3 change with the order in which drivers load, so the sensor is found by the
file ``name`` at each opening. Its folder is then held open: a folder that another sensor gets
later under the same number is never read for it. Files are only ever opened for reading.
"""

from __future__ import annotations

import contextlib
import os
import re
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import SourceError
from logger.sources.link.threaded import ThreadedLink

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from logger.refusals import Refusals

#: Bytes of an attribute that are read: a number, never more than 20 characters.
_LONGEST = 64
_NUMBER = re.compile(rb"\s*([+-]?\d{1,18})\s*")
#: Attributes that a sensor shows, for a person who looks for the right one.
_INPUT = re.compile(r"((?:in|curr|power|temp)\d{1,3})_input")


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor that the kernel shows.

    ``device`` is the bus's own name for it, such as 1-0040 for address 0x40 on I2C bus 1; empty
    where it has none.
    """

    folder: Path
    name: str
    device: str


def sensors(root: Path) -> list[Sensor]:
    """Return the sensors that the kernel shows now, in order of their folders."""
    found = []
    with contextlib.suppress(OSError):
        for folder in sorted(root.iterdir()):
            with contextlib.suppress(OSError, ValueError):
                name = (folder / "name").read_text(encoding="ascii").strip()
                device = folder / "device"
                found.append(Sensor(folder, name, device.resolve().name if device.exists() else ""))
    return found


def find(root: Path, name: str, device: str = "") -> Sensor:
    """Return the one sensor of that name.

    Raises
    ------
    SourceError
        If there is none, or more than one; it names what there is.
    """
    present = sensors(root)
    matching = [s for s in present if s.name == name and device in {"", s.device}]
    if len(matching) == 1:
        return matching[0]
    if matching:
        devices = ", ".join(s.device or s.folder.name for s in matching)
        raise SourceError(
            f"{len(matching)} sensors are called {name}; set device to one of {devices}"
        )
    there = ", ".join(sorted({f"{s.name} ({s.device})" if s.device else s.name for s in present}))
    wanted = f"{name} at {device}" if device else name
    raise SourceError(f"{root}: no sensor is called {wanted}; there: {there or 'none'}")


def attributes(sensor: Sensor) -> dict[str, tuple[str, str]]:
    """Return the label and the number in each input of a sensor, as text, for a person."""
    shown: dict[str, tuple[str, str]] = {}
    for file in sorted(sensor.folder.iterdir()):
        if match := _INPUT.fullmatch(file.name):
            texts = []
            for path in (file.with_name(f"{match[1]}_label"), file):
                try:
                    texts.append(path.read_text(encoding="utf-8", errors="replace").strip())
                except OSError as error:
                    texts.append("" if path is not file else f"({error.strerror})")
            shown[match[1]] = (texts[0], texts[1])
    return shown


def read_attribute(folder: int, name: str) -> str:
    """Return the number in ``name_input`` of an open folder, as the kernel wrote it.

    Raises
    ------
    OSError
        If it cannot be read: it is gone, the bus failed, the chip measures nothing just now.
    ValueError
        If it holds no whole number, or nothing.
    """
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC
    fd = os.open(f"{name}_input", flags, dir_fd=folder)
    try:
        data = os.read(fd, _LONGEST)
    finally:
        os.close(fd)
    match = _NUMBER.fullmatch(data)
    if match is None:
        raise ValueError("is empty" if not data.strip() else "holds no whole number")
    return match[1].decode("ascii")


class SensorLink(ThreadedLink):
    """A session on a sensor: found, read at equal distances, given up when nothing can be read.

    Parameters
    ----------
    root, name, device
        Where the kernel shows its sensors, and which it is; see :func:`find`.
    attributes
        What is read each time, without ``_input``.
    every_s
        From one look to the next, s.
    refusals
        Where attributes that cannot be read are counted.
    """

    def __init__(
        self,
        root: Path,
        name: str,
        device: str,
        attributes: Sequence[str],
        every_s: float,
        refusals: Refusals,
    ) -> None:
        super().__init__(name)
        self._which = (root, name, device)
        self._attributes = tuple(attributes)
        self._every_s = every_s
        self._refusals = refusals

    async def send(self, payload: bytes) -> None:
        """Refuse: nothing is ever written to a sensor."""
        raise SourceError(f"a sensor is only read, so {len(payload)} bytes cannot be sent")

    def look(self, folder: int) -> tuple[bytes, list[str]]:
        """Read every attribute once; return them as a line, and why some are missing in it.

        Raises
        ------
        SourceError
            If none of them can be read.
        """
        pairs, failures = [], []
        for name in self._attributes:
            try:
                pairs.append(f"{name}={read_attribute(folder, name)}")
            except (OSError, ValueError) as error:
                why = error.strerror if isinstance(error, OSError) else str(error)
                failures.append(f"{name}: {why}")
                pairs.append(f"{name}=")
        if len(failures) == len(pairs):
            raise SourceError("; ".join(failures))
        return " ".join(pairs).encode("ascii") + b"\n", failures

    # What follows runs in the thread.

    def _run(self) -> None:
        folder = None
        try:
            sensor = find(*self._which)
            folder = os.open(sensor.folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            self._tell(self._set_opened, None)
            self._read(folder)
        except (OSError, SourceError) as error:
            self._lose(
                error if isinstance(error, SourceError) else SourceError(str(error.strerror))
            )
        finally:
            if folder is not None:
                os.close(folder)
            self._tell(self._closed.set)

    def _read(self, folder: int) -> None:
        due_s = time.monotonic()
        while not self._stop.is_set():
            now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
            try:
                line, failures = self.look(folder)
            except SourceError:
                # One transfer that failed is no lost sensor: asked again before it is given up.
                line, failures = self.look(folder)
            self._put((now_s, line, ""))
            for failure in failures:
                self._tell(self._refusals.count, failure)
            due_s = max(due_s + self._every_s, time.monotonic())
            self._stop.wait(due_s - time.monotonic())
