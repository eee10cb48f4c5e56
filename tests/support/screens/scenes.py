"""Invented situations for the tests of what people see; nothing here is an estimate."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from analysis.assessment.account import HoursRow
from analysis.assessment.document import Assessment, Curve, Reason, Step, Verdict
from analysis.estimate import Span
from analysis.health.run_table import Limit, RunTable
from analysis.inputs.meters import MEASURE
from logger.durations import DAY_S
from logger.event import Event


def at(*ymd_hms):
    return datetime(*ymd_hms, tzinfo=UTC).timestamp()


START_S, END_S = at(2021, 4, 18), at(2026, 6, 14, 18)
HOURS = 3120.0


def runs(count=420, seed=7, loss=0.29, step_at=2410.0, step=0.0):
    """Return runs over five seasons, most in summer, output falling by ``loss``."""
    rng = np.random.default_rng(seed)
    start = np.sort(rng.uniform(START_S, END_S - DAY_S, count * 3))
    month = np.array([datetime.fromtimestamp(t, UTC).month for t in start])
    summer = start[(month >= 4) & (month <= 10)]
    start = np.sort(rng.choice(summer, count, replace=False))
    hours = rng.gamma(4.0, HOURS / count / 4.0, count)
    runtime = np.cumsum(hours) * HOURS / hours.sum()
    truth = 1.0 - loss * runtime / HOURS + step * (runtime > step_at)
    limited = rng.random(count) < 0.3
    fraction = truth + rng.normal(0, 0.012, count) - limited * rng.uniform(0.05, 0.3, count)
    used = rng.random(count) > 0.06
    limits = tuple(Limit.BATTERY if b else Limit.SOURCE for b in limited)
    reasons = tuple("too short to settle" if not u else "settled early output" for u in used)
    return RunTable(
        start_s=start,
        hours=hours,
        runtime_h=runtime,
        fraction=fraction,
        standard_error=np.full(count, 0.012),
        limit=limits,
        used=used,
        reason=reasons,
        energy_kwh=hours * 0.11 * fraction,
        charge_ah=hours * 110 * fraction / 13.2,
        temperature_c=np.full(count, 26.0),
    )


def curve(loss=0.29, until=6200.0):
    hours = np.linspace(0, until, 63)
    median = 1.0 - loss * hours / HOURS
    spread = 0.012 + 0.00003 * np.clip(hours - HOURS, 0, None) ** 1.05
    return Curve(hours, median, median - spread, median + spread, HOURS)


def account(table, left):
    """Return an account whose hours add up: what is not left out is shared by limit."""
    speaking = HOURS - sum(left.values())
    limits = np.array([str(limit) for limit in table.limit])
    rows = []
    for limit in (Limit.SOURCE, Limit.BATTERY):
        share = float((limits == str(limit)).mean())
        if share:
            count = int((limits == str(limit)).sum())
            rows.append(HoursRow(str(limit), speaking * share, True, limit, count))
    return (*rows, *(HoursRow(why, hours, False) for why, hours in left.items()))


def assessment(**changes):
    """Return a charger whose replacement is to be planned."""
    table = runs()
    base = Assessment(
        label="aft locker",
        rated_w=110.0,
        fitted="2021-04-18",
        observed_from_s=START_S,
        observed_to_s=END_S,
        running_hours=HOURS,
        energy_kwh=float(table.energy_kwh.sum()),
        charge_ah=float(table.charge_ah.sum()),
        runs=len(table),
        source_limited_runs=sum(kind is Limit.SOURCE for kind in table.limit),
        battery_limited_runs=sum(kind is Limit.BATTERY for kind in table.limit),
        output=Span(0.69, 0.712, 0.734),
        at_runtime_h=HOURS,
        decline_per_1000h=Span(0.082, 0.093, 0.104),
        sag=0.012,
        steps=(),
        until="output",
        remaining_h=Span(860.0, 1204.0, 1730.0),
        remaining_date=Span(at(2027, 8, 20), at(2028, 5, 11), at(2029, 6, 20)),
        withheld=None,
        verdict=Verdict.PLAN,
        reasons=(
            Reason("below_plan_limit", "available output is below the plan limit of 75 %"),
            Reason("decline_clear", "the decline is clearly different from zero"),
        ),
        plan_below=0.75,
        replace_below=0.60,
        design_life_h=7500.0,
        run_table=table,
        curve=curve(),
        left_out={"warm-up": 96.4, "battery nearly full": 402.0, "gap in the readings": 3.2},
        account=account(
            table, {"warm-up": 96.4, "battery nearly full": 402.0, "gap in the readings": 3.2}
        ),
        advice=(
            MEASURE,
            "one run from a well discharged battery each month keeps the interval narrow",
        ),
    )
    return replace(base, **changes)


def sound():
    table = runs(loss=0.06)
    return assessment(
        output=Span(0.925, 0.941, 0.957),
        decline_per_1000h=Span(0.008, 0.019, 0.031),
        until="design_hours",
        remaining_h=Span(3900.0, 4380.0, 4380.0),
        remaining_date=Span(at(2032, 9, 1), at(2033, 5, 1), at(2034, 4, 1)),
        verdict=Verdict.SOUND,
        reasons=(Reason("above_plan_limit", "available output is well above the plan limit"),),
        run_table=table,
        curve=curve(loss=0.06),
        advice=(),
    )


def replacement_due():
    table = runs(loss=0.36, step=-0.11)
    step = Step(2410.0, at(2025, 6, 3), -0.11, -0.13, -0.09)
    falling = curve(loss=0.36, until=3700.0)
    drop = 0.11 * (falling.runtime_h > 2410)
    return assessment(
        output=Span(0.515, 0.531, 0.547),
        decline_per_1000h=Span(0.104, 0.116, 0.128),
        steps=(step,),
        remaining_h=Span(0.0, 0.0, 0.0),
        remaining_date=Span(END_S, END_S, END_S),
        verdict=Verdict.REPLACE,
        reasons=(Reason("below_replace_limit", "available output is below the limit of 60 %"),),
        run_table=table,
        curve=Curve(
            falling.runtime_h,
            falling.median - drop,
            falling.low - drop,
            falling.high - drop,
            HOURS,
        ),
    )


def only_bounds():
    table = runs(loss=0.1)
    return assessment(
        output=Span(low=0.64),
        decline_per_1000h=Span(),
        sag=None,
        until=None,
        remaining_h=Span(),
        remaining_date=Span(),
        withheld="only lower bounds of the output were seen",
        verdict=Verdict.UNDETERMINED,
        source_limited_runs=0,
        battery_limited_runs=len(table),
        reasons=(Reason("all_battery_limited", "the battery limited every run"),),
        run_table=replace(table, limit=(Limit.BATTERY,) * len(table)),
        curve=None,
        advice=("run the charger once from a well discharged battery",),
    )


def empty():
    return assessment(
        observed_from_s=None,
        observed_to_s=None,
        running_hours=0.0,
        energy_kwh=0.0,
        charge_ah=0.0,
        runs=0,
        source_limited_runs=0,
        battery_limited_runs=0,
        output=Span(),
        at_runtime_h=None,
        decline_per_1000h=Span(),
        sag=None,
        until=None,
        remaining_h=Span(),
        remaining_date=Span(),
        withheld="the log is empty",
        verdict=Verdict.UNDETERMINED,
        reasons=(Reason("no_data", "the log holds no interval yet"),),
        run_table=None,
        curve=None,
        left_out={},
        account=(),
        advice=("start 'ebbwatt log', or import a recording with 'ebbwatt import'",),
    )


#: Texts that a device or a person might send to do harm.
HOSTILE = (
    "<script>alert(1)</script><img src=http://example.invalid/x onerror=alert(2)>",
    "\x1b[2J\x1b[31m\x1b]0;title\x07red",
    "[bold red]markup[/]",
    "\u202eright to left override",
    "שלום 110 W",
    "A" * 5000,
    "\"'><svg onload=alert(3)>&amp;",
)


def events():
    return (
        Event(1, at(2022, 5, 2, 9), "service", None, "intake filter cleaned"),
        Event(2, at(2024, 4, 11, 14), "renewal", None, "fluid renewed"),
        Event(3, at(2025, 7, 1, 8), "fuel", 10.0, "container 31"),
        Event(4, at(2025, 7, 21, 8), "fuel", 10.0, "container 32"),
        Event(5, at(2025, 7, 22, 8), "fuel", 100.0, "typing error", struck=True),
        Event(6, at(2025, 8, 3, 3), "power_cut"),
        Event(7, at(2025, 8, 3, 3, 5), "clock_correction", 31.0),
        Event(8, at(2025, 9, 3, 3), "power_cut"),
        Event(9, at(2026, 5, 30, 12), "gap", 840.0, "source silent"),
        Event(10, at(2026, 6, 2, 7, 30), "note", None, "moved to the forward locker"),
    )


def hostile_events():
    return tuple(Event(20 + i, at(2026, 6, 1 + i), "note", None, t) for i, t in enumerate(HOSTILE))
