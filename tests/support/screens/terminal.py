"""A real terminal, for what programs show on it and leave behind."""

import contextlib
import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
import unicodedata

SHOW, HIDE = b"\x1b[?25h", b"\x1b[?25l"  # DEC private mode 25: cursor (xterm control sequences)
OTHER, BACK = b"\x1b[?1049h", b"\x1b[?1049l"  # mode 1049: alternate screen


class Terminal:
    """A pseudo-terminal with a program on it that has it as its controlling terminal."""

    def __init__(self, arguments, cwd, env, term="xterm-256color"):
        self.shown = b""
        self._master, self._slave = pty.openpty()
        self._before = termios.tcgetattr(self._slave)
        self.process = subprocess.Popen(
            [sys.executable, *arguments],
            cwd=cwd,
            env=env | {"TERM": term, "LINES": "40"},
            stdin=self._slave,
            stdout=self._slave,
            stderr=self._slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509
        )

    def listen(self, seconds=0.1):
        if select.select([self._master], [], [], seconds)[0]:
            with contextlib.suppress(OSError):  # EIO: the program has ended
                self.shown += os.read(self._master, 65536)

    def until(self, words, times=1):
        end_s = time.monotonic() + 200.0
        while self.shown.count(words) < times:
            assert time.monotonic() < end_s, self.shown[-2000:]
            assert self.process.poll() is None, self.shown[-2000:]
            self.listen()

    def resize(self, columns, lines):
        """Give the window another size; the kernel sends SIGWINCH to the program."""
        fcntl.ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def press(self, key):
        os.write(self._master, key)

    def hang_up(self):
        """Cut the line: the kernel sends SIGHUP to the program (tty_ioctl(4), setsid(2))."""
        os.close(self._master)
        self._master = None

    def ended(self):
        end_s = time.monotonic() + 200.0
        while self.process.poll() is None and time.monotonic() < end_s:
            self.listen()
        self.listen()
        return self.process.wait(200.0)

    def is_clean(self):
        """Whether cursor, screen and line settings are as they were."""
        return (
            self.shown.rfind(SHOW) >= self.shown.rfind(HIDE)
            and self.shown.rfind(BACK) >= self.shown.rfind(OTHER)
            and termios.tcgetattr(self._slave) == self._before
        )

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self._master is not None:
            os.close(self._master)
        os.close(self._slave)


def harmless(data):
    """Assert that nothing in the bytes of an output acts; return them as text."""
    # Strict: no lone byte of C1 either. Lines of CSV end with CR LF (RFC 4180).
    text = data.decode("utf-8").replace("\r\n", "\n")
    acting = {c for c in text if unicodedata.category(c) in {"Cc", "Cf", "Co", "Cs", "Zl", "Zp"}}
    assert acting <= {"\n"}, acting
    return text
