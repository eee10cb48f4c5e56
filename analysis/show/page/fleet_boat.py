"""Assesses one boat of a fleet and writes its own report; runs in a worker."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.fleet.boat import assess_boat
from analysis.show.matter import Matter, with_evidence
from analysis.show.page.identity import identity_of
from analysis.show.page.report.page import write_page
from logger import __version__

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.assessment.case import Case


def assess_with_report(name: str) -> None:
    """Assess the boat in a folder; write its result and its report.

    Raises
    ------
    EbbwattError
        If its log or its configuration cannot be read; nothing is written then.
    """
    assess_boat(name, _write)


def _write(path: Path, case: Case) -> None:
    # As it stood at the end of the log: the fleet's page says how old that is.
    matter = Matter(
        case.assessment,
        case.history.events,
        case.assessment.observed_to_s or 0.0,
        __version__,
        identity=identity_of(case.config),
    )
    write_page(path, with_evidence(matter, case), {})
