"""A serial line made of a pseudo-terminal, with a stable name like those in /dev/serial/by-id."""

import asyncio
import contextlib
import os
import pty
import subprocess
import sys
import time
import tty
from pathlib import Path

from tests.support.rigs.devices.bluez import die_with_parent


class PtyLine:
    """The device's end of a line; ``name`` is what the program under test opens."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = pty.openpty()
        # Raw from the start: a fresh terminal echoes until somebody opens and sets it.
        tty.setraw(slave)
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        self.name.unlink(missing_ok=True)
        if self.master >= 0:
            os.close(self.master)
        self.master = -1

    def write(self, data: bytes) -> None:
        os.write(self.master, data)

    async def opened(self) -> None:
        """Wait until this process has the port open."""
        port = self.name.readlink()
        while port not in _open_files("self"):  # noqa: ASYNC110 - another thread opens it
            await asyncio.sleep(0.01)

    def opened_by(self, process: subprocess.Popen[bytes]) -> None:
        """Wait until another process has the port open."""
        port = self.name.readlink()
        while port not in _open_files(str(process.pid)):
            assert process.poll() is None, "it has ended"
            time.sleep(0.01)

    async def asked(self) -> None:
        """Wait until the program has sent something: it has opened and configured the port."""
        while not self.read():  # noqa: ASYNC110 - another thread sends it
            await asyncio.sleep(0.01)

    def read(self) -> bytes:
        """Return everything that the program has sent."""
        os.set_blocking(self.master, False)
        sent = b""
        try:
            while piece := os.read(self.master, 4096):
                sent += piece
        except OSError:  # nothing there, or nobody on the line
            pass
        return sent


def _open_files(pid: str) -> set[Path]:
    """Return what a process has open, proc_pid_fd(5)."""
    found = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):  # closed meanwhile
            found.add(link.readlink())
    return found


class SpokenLine(PtyLine):
    """A line at whose far end another process speaks: ``code``, given the descriptor's number."""

    def __init__(self, name: Path, code: str) -> None:
        self.code = code
        super().__init__(name)

    def plug(self) -> None:
        super().plug()
        self.speak()

    def speak(self) -> None:
        end = str(self.master)
        command = [sys.executable, "-c", self.code, end]
        self.process = subprocess.Popen(
            command,
            pass_fds=[self.master],
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
        )

    def unplug(self) -> None:
        self.process.kill()
        self.process.wait()
        super().unplug()
