"""The energy that the charger must supply a day: by the log, else by an audit of consumers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.fuel.outlook import fuel_of
from analysis.health.evidence import design_hours_left
from analysis.inputs.meters import MEASURE
from analysis.load.bank import PARTS, Bank, Days, live
from analysis.load.usual_bank import EFFICIENCY
from analysis.physics import BLOCK_V, blocks_in_series
from analysis.sizing.result import Fitted, Need
from analysis.sizing.size import AUDIT_SCATTER, audit_days, bank_ah, supply_wh
from logger.durations import YEAR_D

if TYPE_CHECKING:
    from analysis.assessment.case import Case
    from analysis.load.result import LoadResult
    from analysis.sizing.candidates import Audit
    from logger.config import BatteryConfig

#: Number of days of an audit that are simulated with the bank: a year.
AUDIT_LIVED = 365


@dataclass(frozen=True, slots=True)
class Basis:
    """What the boat needs, and where that comes from."""

    need: Need | None
    """None where neither log nor audit gives it."""
    words: tuple[str, ...]
    """Where the need comes from, or why it is not known; sentences."""
    decline_per_1000h: float | None
    """Decline seen on the fitted unit, fraction of rated; None where it is not clear."""
    today: Fitted | None = None
    """The fitted unit as it is; None where the log does not show it."""


def find_need(
    case: Case | None,
    battery: BatteryConfig,
    audit: Audit | None,
    passage_share: float,
    days_a_year: float | None,
) -> Basis:
    """Find the need, and compare audit with log where there are both.

    Parameters
    ----------
    case
        The log of the fitted charger; None where there is none.
    battery
        The bank as it is configured.
    audit
        Audit of consumers, if there is one.
    passage_share
        Part of the days that are on passage; only the audit uses it.
    days_a_year
        Days a year on which the charger carries the boat; None means as logged, or else every day.
    """
    load, yearly, decline = _logged(case)
    if load is not None and load.ah_p95 is not None and load.ah.median is not None:
        blocks = blocks_in_series(load.voltage_v or BLOCK_V)
        supply = supply_wh(load.draw_ah.ravel(), load.efficiency, blocks)
        lived = case.carried if case is not None else None
        days = days_a_year
        if days is None and yearly is not None:
            days = 1000.0 * yearly / float(supply.mean())
            # More than every day of a year: the days that told the load are the lighter ones.
            supply = supply * max(days / YEAR_D, 1.0)
            days = min(days, YEAR_D)
        chemistry = battery.chemistry
        if lived is not None:
            need = Need(supply, lived, load.ah.median, blocks, days or YEAR_D, chemistry)
            words = _by_log(load, need, audit, passage_share)
            return Basis(need, (*words, *load.doubts), decline, _today(case))
    if audit is None:
        why = "there is no log yet" if load is None else load.withheld or load.rare_withheld()
        return Basis(None, (f"the load is not known: {why}",), decline)
    need = _audited(battery, audit, passage_share, days_a_year)
    text = (
        f"By the audit of {audit.items} items: {audit.rest_ah:.0f} Ah a day at rest, "
        f"{audit.passage_ah:.0f} Ah on passage, {100 * passage_share:.0f} % of days on "
        f"passage ({12 * need.blocks} V). A log would be more accurate."
    )
    return Basis(need, (text,), decline, _today(case))


def _logged(case: Case | None) -> tuple[LoadResult | None, float | None, float | None]:
    """Return load, kWh a year and the decline if it is clear; None for what the log lacks."""
    if case is None:
        return None, None, None
    load = case.load
    if load.ah_p95 is None:
        return load, None, None
    slope = case.assessment.decline_per_1000h
    clear = slope.low is not None and slope.low > 0.0
    year = case.use.year
    yearly = None if year is None else year.kwh_per_year().median
    return load, yearly, slope.median if clear else None


def _audited(
    battery: BatteryConfig, audit: Audit, passage_share: float, days_a_year: float | None
) -> Need:
    efficiency = battery.charge_efficiency or EFFICIENCY[battery.chemistry][0]
    blocks = blocks_in_series(battery.charge_ceiling_v or BLOCK_V)
    days_ah = audit_days(audit, passage_share)
    supply = supply_wh(days_ah, efficiency, blocks)
    mean_ah = float(days_ah.mean())
    days = Days(
        load_ah=days_ah[None, :AUDIT_LIVED],
        gap=np.zeros(AUDIT_LIVED, dtype=bool),
        help_h=np.zeros(AUDIT_LIVED),
        pattern=np.full(PARTS, 1.0 / PARTS),
        relative_sd=AUDIT_SCATTER,
    )
    label = battery.capacity_ah
    bank = Bank(
        capacity_ah=label or bank_ah(mean_ah, battery.chemistry),
        capacity_sd=0.0,
        chemistry=battery.chemistry,
        blocks=blocks,
        start_ah=None,
    )
    lived = live(days, bank)
    return Need(supply, lived, mean_ah, blocks, days_a_year or YEAR_D, battery.chemistry)


def _today(case: Case | None) -> Fitted | None:
    """Return the fitted unit as it is."""
    if case is None:
        return None
    a = case.assessment
    if a.output.median is None:
        return None
    used = None
    if case.config.fuel is not None:
        used = fuel_of(case).l_per_kwh.median
    left_h = design_hours_left(case.evidence, case.config)
    return Fitted(
        a.output.median,
        a.remaining_h.median,
        a.verdict,
        used,
        MEASURE in a.advice,
        None if left_h is None else 0.5 * sum(left_h),
        until=a.until,
    )


def _by_log(load: LoadResult, need: Need, audit: Audit | None, share: float) -> tuple[str, ...]:
    last = f" to {day(float(load.daily_s[-1]), UTC)}" if len(load.daily_s) else ""
    whence = " from the charger" if load.shared else ""
    text = (
        f"By the log: {load.ah.median:.0f} Ah{whence} on the mean day, up to "
        f"{load.ah_p95:.0f} Ah on 19 days in 20 ({load.days_used} days{last}); the charger carries "
        f"the boat on {need.days_a_year:.0f} days a year."
    )
    if audit is None or not load.ah.median:
        return (text,)
    mean = share * audit.passage_ah + (1.0 - share) * audit.rest_ah
    # An audit counts all consumers, whoever feeds them.
    uses = load.boat_ah.median
    more = ""
    if uses:
        beside = f" beside the {uses:.0f} Ah that she uses in all" if load.shared else ""
        more = f", {100 * (mean / uses - 1.0):+.0f} %{beside}"
    compared = (
        f"By the audit: {mean:.0f} Ah ({audit.rest_ah:.0f} at rest, {audit.passage_ah:.0f} on "
        f"passage){more}; the log is used."
    )
    return text, compared
