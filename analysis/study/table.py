"""The table of the study: the assessments beside the truth and beside plain methods."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.study import scores
from analysis.study.outcome import FREE_H, SLACK_H, Outcome, holds
from analysis.study.scores import clopper_pearson, interval_score, middle_error

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


#: Relative errors of remaining hours are counted only where more than these are left, h.
FEWEST_H = 100.0


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    what: str
    wanted: str
    reached: str
    boats: int
    met: bool | None
    plain: str = ""


def rows(outcomes: Sequence[Outcome]) -> list[Row]:
    """Return the lines of the table."""
    told = [o for o in outcomes if o.output is not None]
    return [
        *_intervals(outcomes, told),
        *_errors(told),
        _half_life(told),
        *_load_limit(outcomes),
        *_verdicts(outcomes, told),
        *_steps(told),
        *_battery_limited(outcomes),
        _hot(told),
        _seconds(outcomes),
    ]


def _intervals(outcomes: Sequence[Outcome], told: Sequence[Outcome]) -> list[Row]:
    """Return how often the 90 % intervals hold the truth."""
    timed = [o for o in outcomes if o.left_low_h is not None]
    return [
        share(
            "90 % interval of available output holds the truth",
            [holds(o.low, o.high, o.truth) for o in told],
            (0.85, 0.95),
        ),
        share(
            "90 % interval of remaining hours holds the truth",
            [holds(o.left_low_h, o.left_high_h, o.truth_left_h, SLACK_H) for o in timed],
            (0.85, 0.95),
        ),
    ]


def _errors(told: Sequence[Outcome]) -> list[Row]:
    """Return the errors of the available output, beside those of the plain methods."""
    bias = np.array([(o.output or 0.0) - o.truth for o in told])
    error = np.abs(bias)
    score = interval_score(
        np.array([o.low for o in told], dtype=float),
        np.array([o.high for o in told], dtype=float),
        np.array([o.truth for o in told]),
    )
    return [
        limit(
            "median error of available output, % of rated",
            100.0 * _median(error),
            0.7,
            len(told),
            _plain(told, np.median),
        ),
        limit(
            "95th percentile of that error, % of rated",
            100.0 * _quantile(error, 0.95),
            2.0,
            len(told),
            _plain(told, lambda e: np.quantile(e, 0.95)),
        ),
        Row(
            "mean error (bias), % of rated",
            "",
            f"{100.0 * float(bias.mean()):+.2f}" if len(bias) else "none",
            len(told),
            None,
            _plain(told, np.mean, signed=True),
        ),
        Row(
            "mean interval score, % of rated",
            "",
            f"{100.0 * float(score.mean()):.2f}",
            len(told),
            None,
        ),
    ]


def _half_life(told: Sequence[Outcome]) -> Row:
    """Return the error of the remaining hours of boats at half their life."""
    named = [
        o
        for o in told
        if o.category == "half_life" and o.left_h is not None and o.truth_left_h > FEWEST_H
    ]
    relative = np.array([abs((o.left_h or 0.0) - o.truth_left_h) / o.truth_left_h for o in named])
    return limit(
        "median relative error of remaining hours at half life, %",
        100.0 * _median(relative),
        10.0,
        len(named),
        _plain_left(named),
    )


def _load_limit(outcomes: Sequence[Outcome]) -> list[Row]:
    """Return how well the limit of the load, and which limit comes first, are told."""
    # Where no output is enough, the output asked for is infinite and not compared.
    stated = [o for o in outcomes if o.needed is not None or o.short_said is not None]
    needed = [o.needed for o in stated if o.needed is not None]
    by_load = [o for o in stated if o.until_truth == "load" and o.left_low_h is not None]
    ahead = [o for o in by_load if o.left_h is not None and o.truth_left_h > FEWEST_H]
    left = [abs((o.left_h or 0.0) / o.truth_left_h - 1.0) for o in ahead]
    short = [abs(o.short_said - o.short_truth) for o in stated if o.short_said is not None]

    def first(boats: Sequence[Outcome]) -> list[bool]:
        return [o.until_right for o in boats if o.until_right is not None]

    return [
        least("first of the three limits named rightly, %", _percent(first(outcomes)), 90.0,
              len(first(outcomes))),
        least("the same where the load is stated, %", _percent(first(stated)), 90.0,
              len(first(stated))),
        limit("median error of the output that the load asks for, %", middle_error(needed), 10.0,
              len(needed)),
        share("90 % interval of the output that the load asks for holds the truth",
              scores.holds(needed), scores.WANTED),
        limit("load stated and ending first: median relative error of remaining hours, %",
              100.0 * _median(np.array(left)), 20.0, len(left)),
        share("load stated and ending first: 90 % interval of those hours holds the truth",
              [holds(o.left_low_h, o.left_high_h, o.truth_left_h, SLACK_H) for o in by_load],
              scores.WANTED),
        limit("mean error of the days on which the bank is short at today's output, % of days",
              100.0 * float(np.mean(short)) if short else math.nan, 5.0, len(short)),
    ]  # fmt: skip


def _verdicts(outcomes: Sequence[Outcome], told: Sequence[Outcome]) -> list[Row]:
    """Return how often a verdict is wrong."""
    healthy = [o for o in outcomes if o.healthy]
    past = [o for o in told if o.past]

    def percent(boats: Sequence[Outcome], verdict: str) -> float:
        return _percent([o.verdict == verdict for o in boats])

    return [
        limit("healthy boats called replace, %", percent(healthy, "replace"), 0.0, len(healthy)),
        limit("healthy boats called plan, %", percent(healthy, "plan"), 1.0, len(healthy)),
        limit("boats past the limit called sound, %", percent(past, "sound"), 0.0, len(past)),
    ]


def _steps(told: Sequence[Outcome]) -> list[Row]:
    """Return how many steps are found, and how many boats get a false one."""
    steps = sum(o.steps for o in told)
    return [
        least(
            "steps of 5 % or more found within 50 h, %",
            100.0 * sum(o.steps_found for o in told) / steps if steps else math.nan,
            95.0,
            steps,
        ),
        limit(
            "boats with a false step, %",
            _percent([o.false_steps > 0 for o in told]),
            2.0,
            len(told),
        ),
    ]


def _battery_limited(outcomes: Sequence[Outcome]) -> list[Row]:
    """Return the lines of boats on which the battery alone set the current."""
    # A charger that heat limits all the time is not limited by the battery.
    unfree = [o for o in outcomes if o.free_h < FREE_H and not o.hot]
    bounded = [o for o in unfree if o.output is None and o.low is not None]
    return [
        least(
            "only battery-limited: lower bound at or below the truth, %",
            _percent([(o.low or 0.0) <= o.truth for o in bounded]),
            95.0,
            len(bounded),
        ),
        limit(
            "never limited by the charger, yet a decline was named, %",
            _percent([o.decline is not None for o in unfree]),
            0.0,
            len(unfree),
        ),
    ]


def _hot(told: Sequence[Outcome]) -> Row:
    """Return the bias where the compartment is hot and its temperature is logged."""
    bias = [(o.output or 0.0) - o.truth for o in told if o.hot and o.temperature]
    return limit(
        "hot compartment, temperature logged: bias, % of rated",
        abs(100.0 * float(np.mean(bias))) if bias else math.nan,
        1.0,
        len(bias),
    )


def _seconds(outcomes: Sequence[Outcome]) -> Row:
    """Return how long an assessment takes."""
    seconds = np.array([o.seconds for o in outcomes])
    return Row(
        "seconds an assessment, median and most",
        "",
        f"{_median(seconds):.2f}, {seconds.max(initial=0.0):.2f}",
        len(outcomes),
        None,
    )


def share(what: str, hits: list[bool], wanted: tuple[float, float]) -> Row:
    """Return the line of a share that must lie in a band, with its exact interval."""
    if not hits:
        return Row(what, "", "none", 0, None)
    part = sum(hits) / len(hits)
    low, high = clopper_pearson(sum(hits), len(hits))
    return Row(
        what,
        f"{100 * wanted[0]:.0f} to {100 * wanted[1]:.0f} % of boats",
        f"{100 * part:.1f} % ({100 * low:.0f} to {100 * high:.0f})",
        len(hits),
        wanted[0] <= part <= wanted[1],
    )


def limit(what: str, value: float, most: float, boats: int, plain: str = "") -> Row:
    """Return the line of a figure with an upper limit."""
    if boats == 0 or math.isnan(value):
        return Row(what, f"at most {most:g}", "none", boats, None, plain)
    return Row(what, f"at most {most:g}", f"{value:.2f}", boats, value <= most, plain)


def least(what: str, value: float, least: float, boats: int) -> Row:
    """Return the line of a figure with a lower limit."""
    if boats == 0 or math.isnan(value):
        return Row(what, f"at least {least:g}", "none", boats, None)
    return Row(what, f"at least {least:g}", f"{value:.1f}", boats, value >= least)


def _percent(flags: Sequence[bool]) -> float:
    return 100.0 * float(np.mean(flags)) if flags else math.nan


def _median(values: np.ndarray) -> float:
    return float(np.median(values)) if len(values) else math.nan


def _quantile(values: np.ndarray, p: float) -> float:
    return float(np.quantile(values, p)) if len(values) else math.nan


def _plain(
    told: Sequence[Outcome],
    figure: Callable[[np.ndarray], float],
    *,
    signed: bool = False,
) -> str:
    """Return the same figure for the three plain methods."""
    parts = []
    for name in ("mean_power", "percentile", "line"):
        off = np.array([getattr(o, name) - o.truth for o in told])
        off = off[np.isfinite(off)]
        value = float(figure(off if signed else np.abs(off))) if len(off) else math.nan
        parts.append(f"{100.0 * value:+.1f}" if signed else f"{100.0 * value:.1f}")
    return " / ".join(parts)


def _plain_left(named: Sequence[Outcome]) -> str:
    off = np.array([abs(o.line_left_h - o.truth_left_h) / o.truth_left_h for o in named])
    off = np.where(np.isfinite(off), off, 10.0)
    return f"- / - / {100.0 * _median(off):.0f}"


def markdown(outcomes: Sequence[Outcome], seed: int) -> str:
    """Return the table as Markdown."""
    lines = [
        (
            f"{len(outcomes)} boats, seed {seed}. Plain methods, in this order: mean power of the "
            "last 200 running hours, 95th percentile of the last month, straight line through all "
            "runs."
        ),
        "",
        *written(rows(outcomes)),
    ]
    return "\n".join(lines) + "\n"


def written(table: Sequence[Row]) -> list[str]:
    """Return the lines of a table in Markdown."""
    plain = any(row.plain for row in table)
    end = " plain methods |" if plain else ""
    lines = [
        f"| what | wanted | reached | boats | met |{end}",
        "| --- | --- | --- | --- | --- |" + " --- |" * plain,
    ]
    for row in table:
        met = {True: "yes", False: "**no**", None: ""}[row.met]
        last = f" {row.plain} |" if plain else ""
        lines.append(f"| {row.what} | {row.wanted} | {row.reached} | {row.boats} | {met} |{last}")
    return lines
