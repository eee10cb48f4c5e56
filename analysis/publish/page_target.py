"""Keeps the owner's page new: a child process makes each page and ends.

What a page needs (the database, the drawing) takes more memory than all else in the publisher; a
child that ends gives it back. What is worked out of the whole log, the fuel, is made by another one
every few hours.
"""

from __future__ import annotations

import logging
import subprocess
import time
from typing import TYPE_CHECKING

from logger.errors import EbbwattError
from logger.refusals import one_line
from logger.system.child import child_command

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.publish.facts import Facts
    from logger.config import Config

_log = logging.getLogger("ebbwatt")
#: The fuel takes seconds and changes in hours, s (our choice).
FUEL_EVERY_S = 6 * 3600.0
_FUEL_TAKES_S = 300.0
#: A page takes a part of a second; ten on the slowest board with a busy card.
_PAGE_TAKES_S = 60.0
#: Letters of a reason in the journal: four lines of a terminal.
_LONGEST_REASON = 300


class Page:
    """Writes ``index.html`` into a folder."""

    name = "page"

    def __init__(self, config: Config) -> None:
        self._config_file: Path = config.path
        self._has_fuel = config.fuel is not None
        self._fuel = b""
        self._fuel_s = -FUEL_EVERY_S

    def send(self, _facts: Facts) -> None:
        """Write the page anew, from what is known when it is made.

        Raises
        ------
        EbbwattError
            If it cannot be made or written.
        """
        command = child_command("analysis.publish.page_child", str(self._config_file))
        try:
            done = run_child(command, self._fuel_now(), _PAGE_TAKES_S)
        except subprocess.TimeoutExpired:
            raise EbbwattError(f"it was not made within {_PAGE_TAKES_S:.0f} s") from None
        if done.returncode != 0:
            lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
            said = one_line(lines[-1] if lines else "", _LONGEST_REASON)
            raise EbbwattError(said or f"the child that makes it ended with {done.returncode}")

    def _fuel_now(self) -> bytes:
        """Return the fuel document as JSON; empty where there is none."""
        if not self._has_fuel or time.monotonic() - self._fuel_s < FUEL_EVERY_S:
            return self._fuel
        self._fuel_s = time.monotonic()
        command = child_command("analysis", "fuel", "--json", "--config", str(self._config_file))
        self._fuel = b""
        try:
            done = run_child(command, b"", _FUEL_TAKES_S)
            if done.returncode == 0:
                self._fuel = done.stdout
        except (OSError, subprocess.TimeoutExpired) as error:
            _log.warning("page: the fuel could not be worked out: %s", error)
        return self._fuel

    def close(self) -> None:
        """Leave the page: its times tell its age."""


def run_child(
    command: list[str], given: bytes, takes_s: float
) -> subprocess.CompletedProcess[bytes]:
    """Run a command of this program with ``given`` at its input, for ``takes_s`` at the longest."""
    # A session of its own: Ctrl-C is for the publisher, and the page is whole in a moment.
    return subprocess.run(  # noqa: S603 - this program itself
        command,
        input=given,
        capture_output=True,
        timeout=takes_s,
        check=False,
        start_new_session=True,
    )
