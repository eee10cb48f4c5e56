"""Assesses one boat of a fleet and keeps what came of it; runs in a worker, needs no other boat."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.assessment.case import Case
from analysis.fleet import folder
from analysis.fleet.kept import SCHEMA, stamps
from analysis.fleet.sketch import sketch_of
from analysis.fuel.outlook import fuel_of
from analysis.history.history import load_fitting
from analysis.units import reading_as
from logger import __version__
from logger.config import load_config

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.config import Config


def assess_boat(name: str, write_report: Callable[[Path, Case], None] | None = None) -> None:
    """Assess the boat in a folder and write its ``result.json``.

    Parameters
    ----------
    name
        The folder.
    write_report
        Writes the boat's own report into a file; if left out, the boat gets no report, and an
        older one is removed.

    Raises
    ------
    EbbwattError
        If its log or its configuration cannot be read; nothing is written then.
    """
    boat = Path(name)
    for part in folder.parts_of(boat / folder.RESULT):  # left by a worker that was killed
        part.unlink(missing_ok=True)
    files = stamps(boat)
    digests = {n: folder.digest(boat / n) for n in files}
    kept = folder.read_json(boat / folder.RESULT)
    if (
        kept is not None
        and (kept.get("schema"), kept.get("version")) == (SCHEMA, __version__)
        and kept.get("digests") == digests
        and (write_report is None or (boat / folder.REPORT).exists())
    ):
        folder.write_json(boat / folder.RESULT, kept | {"files": files})
        return
    key = folder.Key.of(boat.name)
    history, config = load_fitting(_configuration(boat), key.fitting)
    # Findings are written in words, so from here on as the owner reads them.
    with reading_as(config.boat):
        case = Case(history, config)
        sketch = sketch_of(case)
        pattern = case.pattern
        (boat / folder.REPORT).unlink(missing_ok=True)
        if write_report is not None:
            write_report(boat / folder.REPORT, case)
        logged = case.assessment.logged_output
        folder.write_json(
            boat / folder.RESULT,
            {
                "schema": SCHEMA,
                "version": __version__,
                "files": files,
                "digests": digests,
                "boat": config.boat.name,
                "type": config.charger.type,
                "timezone": config.boat.timezone,
                "document": case.assessment.document(),
                # Where the data allow no conclusion about its end, the sisters are told nothing.
                "sketch": None if sketch is None or logged is None else sketch.document(),
                "litres_per_year": _litres(case),
                "use": None
                if pattern is None
                else {
                    "hours_per_day": [float(f"{h:.6g}") for h in pattern.hours_per_day.tolist()],
                    "spread": pattern.spread,
                    "fortnight": pattern.fortnight,
                    "unseen": pattern.unseen.tolist(),
                    "logged_output": logged,
                },
            },
        )


def _litres(case: Case) -> list[float] | None:
    """Return the fuel that the boat uses in a year: low, median, high; None where not known."""
    if case.config.fuel is None:
        return None
    year = fuel_of(case).litres_per_year
    ends = (year.low, year.median, year.high)
    known = [float(f"{v:.6g}") for v in ends if v is not None]
    return known if len(known) == len(ends) else None


def _configuration(boat: Path) -> Config:
    own = boat / folder.CONFIGURATION
    config = load_config(own if own.exists() else boat / folder.LOG, quiet=True)
    return replace(config, store=replace(config.store, path=(boat / folder.LOG).absolute()))
