"""One fitting and what is found in its log: each thing once, and only what a command asks for."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

from analysis.assessment.assess import assess
from analysis.assessment.service import service_calendar
from analysis.assessment.usage import usage
from analysis.health.evidence import Evidence, gather, health_of
from analysis.history.use import Use, find_use
from analysis.inputs.examine import Examined, examine
from analysis.inputs.finding import Finding, Severity, worst_first
from analysis.load.daily import daily_load
from analysis.load.kinds import Kinds, kinds_of_day
from analysis.load.required_power import carried, limit_of

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.assessment.service import Due
    from analysis.assessment.usage import Usage
    from analysis.health.life import Health
    from analysis.history.history import History
    from analysis.history.runs import Runs
    from analysis.load.bank import Carried
    from analysis.load.required_power import LoadLimit
    from analysis.load.result import LoadResult
    from logger.config import Config


class Case:
    """What a command works on; it hands each function the parts that the function needs.

    Runs, evidence and load take long to compute. So a command makes one case and hands it, or parts
    of it, on. A case belongs to one command; nothing is kept beyond it.
    """

    def __init__(self, history: History, config: Config) -> None:
        self.history = history
        self.config = config

    @cached_property
    def examined(self) -> Examined:
        """The log as it may be used, and what it says about itself."""
        return examine(self.history, self.config)

    @property
    def runs(self) -> Runs:
        """The runs of the log as it may be used."""
        return self.examined.runs

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the data say about themselves, the worst first."""
        if self.examined.stopped:
            return self.examined.findings  # the figures of such runs say nothing
        return worst_first((*self.examined.findings, *self.evidence.findings))

    @cached_property
    def use(self) -> Use:
        """Energy and hours by day and in the last year."""
        return find_use(self.runs, self.config.boat.zone)

    @cached_property
    def pattern(self) -> Usage | None:
        """How the boat uses her charger over the year; None where the log does not tell."""
        return usage(self.use)

    @property
    def health(self) -> Health | None:
        """The estimate of the present life; None where the log does not tell."""
        return self._judged[0]

    @property
    def evidence(self) -> Evidence:
        """What the log holds, with the life that :attr:`health` is of."""
        return self._judged[1]

    @cached_property
    def _judged(self) -> tuple[Health | None, Evidence]:
        sure = self.examined
        found = gather(self.runs, self.config, sure.zero_sd, sure.held, gain_sd=sure.gain_sd)
        if sure.jumps:
            found = replace(found, may_begin_h=sure.jumps[-1].runtime_h)
        return health_of(found, self.config)

    @property
    def caution(self) -> str | None:
        """A sentence on figures of a log from which the report draws no conclusion."""
        stops = (f for f in self.examined.findings if f.severity is Severity.STOP)
        stop = next(stops, None)
        if stop is None:
            return None
        why = stop.text.split(". ")[0].rstrip(".")
        return (
            f"Do not rely on these figures. {why}. 'ebbwatt report' draws no conclusion from such "
            "data, and says what to look for."
        )

    @cached_property
    def load(self) -> LoadResult:
        """What the boat draws a day."""
        found = daily_load(self.runs, self.config)
        if self.caution is not None:
            found = replace(found, doubts=(self.caution, *found.doubts))
        return found

    @cached_property
    def kinds(self) -> Kinds | None:
        """Kinds of day and what the boat draws on each; None where the load is not known."""
        return kinds_of_day(self.runs, self.load, self.config)

    @cached_property
    def carried(self) -> Carried | None:
        """With which outputs the bank carries the boat; None where the load is not known."""
        return carried(self.load)

    @property
    def needed(self) -> LoadLimit | None:
        """The power that the boat's load needs; None where it is not known."""
        return None if self.carried is None else limit_of(self.carried)

    @cached_property
    def assessment(self) -> Assessment:
        """The assessment; without an estimate of health the load is not needed for it."""
        needed = None if self.health is None else self.needed
        found = assess(
            self.health,
            self.evidence,
            needed,
            self.use,
            self.pattern,
            self.config,
            self.findings,
            self.examined.jumps,
        )
        return replace(found, service=self.service)

    @property
    def service(self) -> tuple[Due, ...]:
        """When each job of the service calendar is due."""
        jobs, fitted = self.config.services, self.config.charger.fitted
        if not jobs:
            return ()
        events = self.history.events
        return service_calendar(
            jobs, self.runs, events, fitted, self.pattern, self.config.boat.zone
        )
