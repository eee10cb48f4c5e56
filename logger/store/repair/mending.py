"""Runs child processes that check the whole database beside the logger, or mend a damaged one."""

from __future__ import annotations

import json
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import StoreUnwritableError
from logger.system.child import child_command

if TYPE_CHECKING:
    from pathlib import Path

    from logger.config import ChargerConfig

#: Exit status of a check that found damage.
DAMAGED = 3
#: Longest wait of an ending logger for a mending, s (judgement; the service manager allows 90).
_PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True)
class Salvaged:
    """The result of mending a damaged database."""

    aside: str
    """Name of the damaged file now."""
    intervals: int
    lost: int
    """About how many intervals are missing, as far as the file shows what it should hold."""
    lost_from_s: float | None = None
    lost_to_s: float | None = None
    """Unix times between which they are missing; None for an end that is not known."""

    def __str__(self) -> str:
        """Return the result as one sentence."""
        text = (
            f"the database was damaged and is set aside as {self.aside}; "
            f"{self.intervals} intervals were recovered"
        )
        if not self.lost:
            return f"{text}, none are lost"
        begin, end = (
            None if at_s is None else time.strftime("%Y-%m-%d", time.gmtime(at_s))
            for at_s in (self.lost_from_s, self.lost_to_s)
        )
        until = f" until {end}" if end else ""
        since = f" from {begin}{until or ' on'}" if begin else until
        return f"{text}, about {self.lost} are lost{since}"


class Mending:
    """At most one child process: a check of the whole file, or the mending of a damaged one.

    Parameters
    ----------
    path
        The database.
    charger
        Replaces a fitting that cannot be read.
    """

    def __init__(self, path: Path, charger: ChargerConfig) -> None:
        self._path = path
        self._charger = charger
        self._child: subprocess.Popen[str] | None = None
        self.mending = False

    def check(self) -> None:
        """Begin to check the whole file; :meth:`damaged` gives the result."""
        self._start("check")

    def mend(self) -> None:
        """Begin to mend; the file must not be written until :meth:`mended` returns a result."""
        self.close()
        fitted = self._charger.fitted
        charger = (self._charger.label, self._charger.rated_w, fitted and fitted.isoformat())
        self._start("mend", json.dumps(charger))
        self.mending = True

    @property
    def needs_attention(self) -> bool:
        """Tell whether the writer must act: a mending is under way, or a check has ended."""
        return self.mending or (self._child is not None and self._child.poll() is not None)

    def damaged(self) -> bool:
        """Tell once whether a check has ended and found damage."""
        if self.mending or self._child is None or self._child.poll() is None:
            return False
        status = self._child.returncode
        self.close()
        return status == DAMAGED

    def mended(self) -> Salvaged | None:
        """Return the result when mending is done, None while it lasts.

        Raises
        ------
        StoreUnwritableError
            If it failed, for instance on a full disk; it may be tried again.
        """
        if self._child is None or self._child.poll() is None:
            return None
        out, said = self._child.communicate()
        status = self._child.returncode
        self._child, self.mending = None, False
        if status != 0:
            lines = said.strip().splitlines()
            raise StoreUnwritableError(lines[-1] if lines else f"{self._path}: cannot be mended")
        return Salvaged(**json.loads(out))

    def wait(self) -> None:
        """Wait for a mending to end, for at most ``_PATIENCE_S``."""
        if self.mending and self._child is not None:
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(_PATIENCE_S)

    def close(self) -> None:
        """End the child, if there is one."""
        if self._child is None:
            return
        if self._child.poll() is None:
            self._child.kill()
        self._child.communicate()
        self._child, self.mending = None, False

    def _start(self, *arguments: str) -> None:
        what, *more = arguments
        self._child = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            child_command("logger.store.repair.salvage", what, str(self._path), *more),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
