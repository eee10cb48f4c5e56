"""All that a report is written from, on the screen and on the page."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analysis.show.page.identity import Identity

if TYPE_CHECKING:
    from analysis.assessment.case import Case
    from analysis.assessment.document import Assessment
    from analysis.assessment.two_runs import TwoRuns
    from analysis.fuel.result import FuelOutlook
    from analysis.installation.result import FitCheck
    from analysis.load.result import LoadResult
    from analysis.show.comparison import Comparison
    from logger.event import Event


@dataclass(frozen=True, slots=True)
class Matter:
    """All that a report is written from; what is None is left out."""

    assessment: Assessment
    events: tuple[Event, ...]
    made_s: float
    """Unix time at which the report was made."""
    version: str
    comparison: Comparison | None = None
    load: LoadResult | None = None
    identity: Identity = field(default_factory=Identity)
    fit: FitCheck | None = None
    fuel: FuelOutlook | None = None
    two_runs: TwoRuns | None = None
    full: bool = False
    """Whether the appendix is open, and printed."""


def with_evidence(matter: Matter, case: Case) -> Matter:
    """Return the matter with what the page shows beyond the assessment."""
    from analysis.assessment.two_runs import two_runs
    from analysis.fuel.outlook import fuel_of
    from analysis.installation.check import check_fitting, replaced_on

    config, table = case.config, matter.assessment.run_table
    has_fuel = config.fuel is not None
    return replace(
        matter,
        load=case.load,
        fit=check_fitting(case, replaced=replaced_on(case.history, config)),
        fuel=fuel_of(case) if has_fuel else None,
        two_runs=two_runs(case.runs, table, config.charger.rated_w),
    )
