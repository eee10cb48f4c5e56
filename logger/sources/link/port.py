"""One serial port, read by a thread of its own so that every kind of port URL works alike.

Only this thread opens, reads and closes the port, because closing a port during a blocked read
makes the library fail in odd ways. If requests are configured, a second thread writes them, because
a hung adapter may block the write.
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import select
import termios
import threading
import time
from dataclasses import dataclass
from typing import Any

from logger.errors import SourceError
from logger.sources.link.holder import holder_of
from logger.sources.link.threaded import ThreadedLink

#: Wait after the first byte, s, to take a whole line or answer at once: each wake-up costs more
#: processor time than a hundred bytes.
SETTLE_S = 0.03
#: A port that cannot be interrupted checks at this spacing whether it must close, s.
LOOK_S = 0.5
#: If a device reports waiting bytes this many times in a row and has none, it is gone.
MOST_EMPTY = 10
#: Most bytes of one chunk, so that decoding one does not delay other work for long.
MOST_AT_ONCE = 4096

REASONS = {
    errno.ENOENT: "there is no such port; is the cable in?",
    errno.EACCES: "no permission; the user must be in the group that owns the port (dialout)",
    errno.EBUSY: "another program has the port open",
    errno.EAGAIN: "another program has the port open",
    errno.ENOTTY: "is not a serial port",
    errno.EISDIR: "is a folder; name a port in it, best one in /dev/serial/by-id/",
    errno.ECONNREFUSED: "nobody listens there",
}
#: Errors of a port that another program has open.
_HELD = (errno.EBUSY, errno.EAGAIN)


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How the port is set; see the [line] table of a description."""

    baud: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1
    rts_cts: bool = False
    dtr: bool = True
    rts: bool = True


def make_port(url: str, line: LineSettings) -> Any:  # noqa: ANN401 - the library has no common type for its kinds of port
    """Return the port, set but not yet open."""
    import serial

    port = serial.serial_for_url(url, do_not_open=True)
    port.baudrate = line.baud
    port.bytesize = line.data_bits
    port.parity = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}[line.parity]
    port.stopbits = line.stop_bits
    port.rtscts = line.rts_cts
    port.timeout = None if hasattr(port, "cancel_read") else LOOK_S
    if "://" not in url:
        port.exclusive = True
    # Set these before opening, because many small boards reset when the lines change.
    port.dtr = line.dtr
    port.rts = line.rts
    return port


def explain(url: str, error: BaseException) -> str:
    """Say in one line what is wrong with a port."""
    number = getattr(error, "errno", None)
    text = str(error)
    if url.lower().startswith("cp2110:") and "not known" in text:
        # The library gives this error where it cannot import another library for this kind of port.
        return f"{url}: this kind of port needs another library: pip install hidapi"
    # A port that goes while it is being configured has the number in other places.
    broken = (
        errno.EIO in (number, *error.args[:1])
        or f"Errno {errno.EIO}]" in text
        or f"({errno.EIO}, " in text
    )
    if isinstance(error, termios.error) and not broken:
        return f"{url}: the driver refuses the settings of [line] ({error.args[-1]})"
    for code, reason in REASONS.items():
        # Some kinds of port have the number only in the text.
        if number == code or f"({code}, " in text or f"Errno {code}]" in text:
            held = f" ({who})" if code in _HELD and (who := holder_of(url)) else ""
            return f"{url}: {reason}{held}"
    if broken or "returned no data" in text or "disconnected" in text:
        other = holder_of(url) or "another program"
        return f"{url}: the port is gone (cable out, or {other} reads it too)"
    return f"{url}: {' '.join(text.split())[:200] or type(error).__name__}"


class PortLink(ThreadedLink):
    """A session on a port: opened, read in chunks, closed.

    Parameters
    ----------
    url
        A device path or a port URL.
    line
        Its settings.
    """

    def __init__(self, url: str, line: LineSettings) -> None:
        super().__init__(url)
        self.url = url
        self._line = line
        self._port: Any = None
        self._outgoing: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._writer: threading.Thread | None = None

    async def send(self, payload: bytes) -> None:
        """Send a request in the writing thread; a failure ends the session like any other."""
        if self._writer is None:
            self._writer = threading.Thread(
                target=self._write, name=f"write {self.url}", daemon=True
            )
            self._writer.start()
        self._outgoing.put(payload)

    async def close(self, limit_s: float = 3.0) -> None:
        """End the threads; wait for them at most ``limit_s``."""
        self._stop.set()
        self._outgoing.put(None)
        if self._port is not None and hasattr(self._port, "cancel_read"):
            with contextlib.suppress(OSError, AttributeError, TypeError, ValueError):
                self._port.cancel_read()
        await super().close(limit_s)

    # The methods below run in the threads.

    def _run(self) -> None:
        port = None
        try:
            port = make_port(self.url, self._line)
            port.open()
            self._port = port
            self._tell(self._set_opened, None)
            if "://" in self.url:
                self._read_any(port)
            else:
                self._read_device(port)
        # The library raises TypeError when a port vanishes, and ValueError or termios.error (not an
        # OSError) when the driver refuses a setting.
        except (OSError, TypeError, ValueError, AttributeError, termios.error) as error:
            lost = SourceError(explain(self.url, error))
            self._tell(self._set_opened, lost)
            self._put(lost)
        finally:
            if port is not None:
                with contextlib.suppress(OSError, TypeError, AttributeError):
                    port.close()
            self._tell(self._closed.set)

    def _read_device(self, port: Any) -> None:  # noqa: ANN401 - as above
        """Read a device of the kernel with three system calls a chunk; the library makes seven.

        Each chunk wakes a processor with cold caches twice, and each name that it looks up costs
        memory accesses. With local names it takes a fifth less time (tests/bench/RESULTS.md).
        """
        fd, cancel = port.fileno(), port.pipe_abort_read_r
        poll = select.poll()
        poll.register(fd, select.POLLIN)
        poll.register(cancel, select.POLLIN)
        wait, stopped, put = poll.poll, self._stop.is_set, self._put
        clock, boottime, sleep, read = time.clock_gettime, time.CLOCK_BOOTTIME, time.sleep, os.read
        empty = 0
        while empty < MOST_EMPTY:
            ready = wait()
            # Nothing but the end of the session makes the other one ready.
            if len(ready) > 1 or ready[0][0] == cancel or stopped():
                return
            # Take the time of the first byte now, so that the wait does not enter the log.
            now_s = clock(boottime)
            sleep(SETTLE_S)
            data = read(fd, MOST_AT_ONCE)
            if data:
                empty = 0
                put((now_s, data, ""))
            elif ready[0][1] & select.POLLHUP:
                break
            else:
                empty += 1  # another program took the bytes, once or for good
        raise OSError(errno.EIO, "the device has gone")

    def _read_any(self, port: Any) -> None:  # noqa: ANN401 - as above
        """Read any kind of port through the library."""
        while not self._stop.is_set():
            data = port.read(1)
            if not data:
                continue
            now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
            try:
                time.sleep(SETTLE_S)
                # Network ports report only that something waits (1), not how many bytes.
                while (waiting := port.in_waiting) and len(data) < MOST_AT_ONCE:
                    data += port.read(min(waiting, MOST_AT_ONCE))
            finally:
                # Keep the bytes that came even if the port is lost meanwhile.
                self._put((now_s, data, ""))

    def _write(self) -> None:
        while (payload := self._outgoing.get()) is not None:
            try:
                if self._port is not None:
                    self._port.write(payload)
            except (OSError, TypeError, ValueError, AttributeError) as error:
                self._put(SourceError(explain(self.url, error)))
                return
