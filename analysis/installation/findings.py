"""What the figures of a fitting mean, in sentences; screen and commissioning record share them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.estimate import Span
from analysis.figures import age, ends, figure, figure_with_ends
from analysis.installation.checklist import ITEMS
from analysis.installation.result import GOOD_DROP
from analysis.installation.warming import USUAL_RISE_K
from analysis.physics import awg_size, ventilation_opening_cm2
from analysis.units import owner

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.installation.result import Figures, FitCheck

_MILLI = 1000.0
#: A loop whose drop at rated current rises by less than this part of the voltage in 1000 h matters
#: to nobody: a sixth of what good practice allows (3 %), so years until it is used up (judgement).
LEAST_TREND_DROP = 0.005
#: A warming that grows by less than this in 1000 h, K, matters to nobody: in a usual life of 7500 h
#: it makes half of the usual rise (judgement).
LEAST_TREND_K = 1.0
CAUTION = (
    "CAUTION: a battery can deliver thousands of amperes: open its fuse before you touch a joint; "
    "insulated tools, no rings. Exhaust and heat must leave the compartment. These figures are no "
    "safety device: the maker's instructions, ISO 13297, local codes and a licensed person decide."
)


def rows(check: FitCheck) -> list[tuple[str, list[tuple[Span, str, float]]]]:
    """Return the rows of the table: a name, and span, unit and scale for each column.

    Rows of which nothing is known are left out.
    """
    drop = 100.0 * check.drop(1.0)
    every: tuple[tuple[str, Callable[[Figures], tuple[Span, str, float]]], ...] = (
        ("reached output", lambda f: (f.output, "%", 100.0)),
        ("loop resistance", lambda f: (f.loop.ohm, "mOhm", _MILLI)),
        (f"loop drop at {check.rated_a:.1f} A", lambda f: (f.loop.ohm, "%", drop)),
        ("cable resistance", lambda f: (f.cable_ohm, "mOhm", _MILLI)),
        ("cable drop", lambda f: (f.cable_ohm, "%", drop)),
        ("compartment warms by", lambda f: (f.rise_k, "K", 1.0)),
        ("output then changes by", lambda f: (f.change, "%", 100.0)),
    )
    shown, _ = columns(check)
    table = [(name, [of(f) for f in shown]) for name, of in every]
    return [(name, cells) for name, cells in table if any(span != Span() for span, *_ in cells)]


def gaps(f: Figures) -> str:
    """Return number and share of the gaps in the readings."""
    return f"{f.gaps} ({100.0 * f.silent_share:.1f} % of the time)" if f.gaps else "none"


def refused(f: Figures) -> str:
    """Return for how long data was refused."""
    return age(f.refused_s) if f.refused_s else "none"


def findings(check: FitCheck) -> list[str]:
    """Return what the figures mean, most important first."""
    newest = check.latest or check.first
    if newest is None:
        return list(check.against_manual)
    said = (
        *check.against_manual,
        _drop(check, newest),
        _iec(check, newest),
        _loop_trend(check),
        _warming(newest),
        _warming_trend(check),
    )
    return [sentence for sentence in said if sentence]


def _drop(check: FitCheck, f: Figures) -> str | None:
    scale, good = 100.0 * check.drop(1.0), 100.0 * GOOD_DROP
    cable, loop = f.cable_ohm, f.loop.ohm
    if cable.median is not None:
        text = f"The cable loses {figure_with_ends(cable, '%', scale)} at rated current"
        if scale * cable.median <= good:
            return f"{text}: within the {good:.0f} % of good practice."
        return (
            f"{text}, more than the {good:.0f} % of good practice: check its joints, then its size."
        )
    if loop.high is None:
        return None
    text = (
        f"The loop loses {figure_with_ends(loop, '%', scale)} at rated current, the battery's own "
        "resistance included"
    )
    if scale * loop.high <= good:
        return f"{text}: within the {good:.0f} % of good practice."
    return (
        f"{text}: measure the drop along both leads with a voltmeter in a run, and compare it with "
        f"the {good:.0f} % of good practice."
    )


def _iec(check: FitCheck, f: Figures) -> str | None:
    wiring, iec = check.wiring, check.iec_ohm
    if wiring is None or iec is None:
        return None
    size, units = awg_size(wiring.cross_section_mm2), owner().units
    standard = "IEC 60228 allows" if size is None else "Copper of ASTM B258 gives"
    cable = f"{wiring.cross_section_mm2:g} mm2" if size is None else f"AWG {size}"
    if size is None and units.us:
        cable += f", about {units.cable(wiring.cross_section_mm2)}"
    text = (
        f"{standard} the cable ({cable}, twice "
        f"{wiring.length_m:g} m) {_MILLI * iec:.1f} mOhm ({units.temperature(20.0)}): "
        f"{100 * check.drop(iec):.1f} % drop"
    )
    if f.cable_ohm.low is not None and f.cable_ohm.low > iec:
        return f"{text}. More was measured, so joints or fuse add to it."
    rest = f.loop.ohm.median
    if f.cable_ohm.median is None and rest is not None and rest > iec:
        return f"{text}. Battery, fuse and joints make up the rest of the loop."
    return f"{text}."


def _loop_trend(check: FitCheck) -> str | None:
    change = check.loop_per_1000h.ohm
    if change.low is None or change.high is None:
        return None
    by = figure_with_ends(change, "mOhm", _MILLI)
    middle = 0.5 * (change.low + change.high) if change.median is None else change.median
    if not change.low <= 0.0 <= change.high and abs(check.drop(middle)) < LEAST_TREND_DROP:
        return (
            f"The resistance changes by {by} per 1000 running hours: less than matters "
            f"({100.0 * LEAST_TREND_DROP:g} % of the voltage at rated current)."
        )
    if change.low > 0.0:
        return (
            f"The resistance rises by {by} per 1000 running hours: a joint corrodes or the battery "
            "ages; look at the joints first."
        )
    if change.high < 0.0:
        return f"The resistance changes by {by} per 1000 running hours: it falls."
    return (
        "No change of the resistance can be told "
        f"({ends(change, 'mOhm', _MILLI)} per 1000 running hours)."
    )


def _warming(f: Figures) -> str | None:
    if f.rise_k.low is None or f.rise_k.low <= USUAL_RISE_K:
        return None
    text = (
        f"A run warms the compartment by {figure(f.rise_k, 'K')}, more than is usual "
        f"({USUAL_RISE_K:.0f} K, common practice, no source): does it take in its own exhaust?"
    )
    if f.change.high is not None and f.change.high < 0.0:
        text += f" The output changes by {figure(f.change, '%', 100)} meanwhile."
    return text


def _warming_trend(check: FitCheck) -> str | None:
    grows = check.rise_per_1000h
    if grows.low is None or grows.low <= 0.0 or (grows.median or 0.0) < LEAST_TREND_K:
        return None
    return (
        f"The warming grows by {figure_with_ends(grows, 'K')} per 1000 running hours: look at "
        "the ways of its air and its exhaust."
    )


def air(check: FitCheck) -> str:
    """Return how much air the battery space needs, or where to look."""
    needed = check.battery_air_m3_per_h
    if needed is None:
        return f"Air for the battery space: {check.reasons['battery_air_m3_per_h']}."
    return (
        f"The battery space needs {needed:.2f} m3/h of air while charging, through openings of "
        f"{ventilation_opening_cm2(needed):.0f} cm2 low and high (IEC 62485-2)."
    )


def open_checks(check: FitCheck) -> str:
    """Return how much of the check list is ticked."""
    missing = [item.key for item in ITEMS if item.key not in check.ticks]
    text = f"Check list: {len(check.ticks)} of {len(ITEMS)} ticked"
    if not missing:
        return text + "."
    return f"{text}; open: {', '.join(missing)} ('ebbwatt event tick')."


_FIGURES = {
    "loop_ohm": "loop resistance",
    "cable_ohm": "cable alone",
    "temperature_rise_k": "warming",
    "output_change": "output in a run",
    "battery_voltage_v": "battery voltage",
}
_WHOLE = {
    "wiring": "wiring",
    "latest": "latest hours",
    "per_1000h.loop_ohm": "trend of the resistance",
}


def why_not(check: FitCheck) -> list[str]:
    """Return why figures are missing, each reason once, as 'name: reason'.

    What limits the output stands with the figure itself.
    """
    said: dict[str, tuple[str, set[str]]] = {}
    for when, f in (("latest", check.latest), ("first", check.first)):
        for key, words in _FIGURES.items():
            if f is not None and key in f.reasons:
                said.setdefault(f.reasons[key], (words, set()))[1].add(when)
    for key, words in _WHOLE.items():
        if key in check.reasons:
            said.setdefault(check.reasons[key], (words, set()))
    both = check.latest is not None and check.first is not None
    return [
        # A reason of one column alone says of which.
        f"{words}, {''.join(of)}: {reason}" if both and len(of) == 1 else f"{words}: {reason}"
        for reason, (words, of) in said.items()
    ]


def columns(check: FitCheck) -> tuple[list[Figures], list[str]]:
    """Return the figures that there are, and the head of each one's column."""
    known = [(kind, f) for kind, f in (("first", check.first), ("latest", check.latest)) if f]
    return [f for _, f in known], [f"{kind} {f.running_hours:.0f} h" for kind, f in known]
