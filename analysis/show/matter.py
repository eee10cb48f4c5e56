"""All that a report is written from, for the screen and for the page."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.show.page.identity import Identity

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.assessment.two_runs import TwoRuns
    from analysis.fuel.result import FuelOutlook
    from analysis.installation.result import FitCheck
    from analysis.load.daily import LoadResult
    from analysis.show.comparison import Comparison
    from logger.event import Event


@dataclass(frozen=True, slots=True)
class Matter:
    """All that a report is written from; what is None is not told."""

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
