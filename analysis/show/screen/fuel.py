"""What ``ebbwatt fuel`` prints: one screen, plain letters, the limits beside the figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.estimate import Span
from analysis.figures import day, energy, figure_with_ends
from analysis.physics import (
    CO2_IDLH_PPM,
    CO2_PEL_PPM,
    METHANOL_REL_PPM,
    METHANOL_STEL_PPM,
    energy_kwh_per_l,
)
from analysis.show.wrapping import filled
from analysis.units import owner
from logger.durations import DAY_S

if TYPE_CHECKING:
    from analysis.fuel.passage import Provision
    from analysis.fuel.result import FuelOutlook


def lines(found: FuelOutlook, check: str | None, width: int) -> list[str]:
    """Return the screen, each line at most ``width`` characters (at least 40).

    ``check`` is a sentence that holds the fuel use against the loss of output, if there is one.
    """
    width = max(40, min(width, 100))
    out = ["How long the fuel lasts"]
    if found.caution is not None:
        out += filled(found.caution, width)
    out.append("")
    for name, told in _figures(found):
        out += filled(f"  {name:<22}{told}", width, " " * 24)
    out += ["", *filled(_basis(found), width)]
    if check:
        out += filled(check, width)
    return [*out, "", *_body(found, width)]


def _figures(found: FuelOutlook) -> list[tuple[str, str]]:
    """Return name and figure of each row, or why there is none."""
    units = owner().units
    rows = [
        (
            "this unit uses",
            figure_with_ends(found.l_per_kwh, f"{units.volume}/kWh", units.per_l),
            "l_per_kwh",
        ),
        (
            "left in the container",
            figure_with_ends(found.litres_left, units.volume, units.per_l),
            "litres_left",
        ),
        ("lasts", figure_with_ends(found.days_left, "days"), "days_left"),
        (
            "a year",
            figure_with_ends(found.containers_per_year, "containers").replace(" containers", "")
            + f" containers of {units.container(found.container_l)}"
            * (found.containers_per_year != Span()),
            "containers_per_year",
        ),
    ]
    told = []
    for name, text, key in rows:
        reason = found.withheld.get(key)
        told.append((name, f"not known: {reason}" if text == "not known" and reason else text))
    if found.days_left.low is not None and found.last_s is not None:
        date = day(found.last_s + DAY_S * int(found.days_left.low))
        told.append(("change before", f"{date}: 19 times in 20 the fuel lasts until then"))
    if found.passage is not None:
        p = found.passage
        litres = figure_with_ends(p.litres, units.volume, units.per_l)
        few = "; few such days are logged" * p.need.few
        told.append((_days(p), f"{litres}; {p.containers} containers last 19 times in 20{few}"))
    elif "passage" in found.withheld:
        told.append(("passage", f"not known: {found.withheld['passage']}"))
    return told


def _basis(found: FuelOutlook) -> str:
    """Say what the figures rest on."""
    counted = len(found.use.counted)
    text = f"Rests on {counted} container{'s' * (counted != 1)}"
    if found.changes == "found":
        text += " (changes found in the log, none is recorded)"
    if counted < 3:
        text += " and on common practice (0.9 L/kWh unless configured, no source)"
    text += _of_year(found)
    if found.kwh_per_day is not None:
        text += (
            f", and on the last {found.days_used} whole days "
            f"({1000.0 * found.kwh_per_day:.0f} Wh a day)"
        )
    return f"{text}.{_refused(found)} In brackets: 90 % interval."


def _days(passage: Provision) -> str:
    """Name a passage by its days."""
    trip = passage.need.trip
    under_way = f"{trip.under_way_d} d under way"
    return f"{under_way}, {trip.at_anchor_d} at anchor" if trip.at_anchor_d else under_way


def _refused(found: FuelOutlook) -> str:
    """Say which containers do not count, and why; of several reasons the latest."""
    problems = [c.problem for c in found.use.containers if c.problem]
    if not problems:
        return ""
    many = len(problems) > 1
    which = f"{len(problems)} containers, the last because" if many else "1 container, because"
    return f" Left out: {which} {problems[-1]}."


def _of_year(found: FuelOutlook) -> str:
    """Say which time the figures of a year are from."""
    year = found.year
    if year is None:
        return ""
    which, alike = "the" if year.whole else "only", ""
    if not year.whole and found.containers_per_year.median is not None:
        alike = ", as if the whole year were alike"
    return f", on {energy(year.kwh)} in {which} {year.days:.0f} days to {day(year.end_s)}{alike}"


def _body(found: FuelOutlook, width: int) -> list[str]:
    """Return what the fuel makes, with the limits."""
    units = owner().units
    balance = found.balance()
    per_unit = energy_kwh_per_l(found.mean_c) / units.per_l
    made = (
        f"A kWh makes {balance.co2_g_per_kwh:.0f} g of carbon dioxide and "
        f"{balance.water_g_per_kwh:.0f} g of water "
        f"({100.0 * balance.efficiency_lhv:.0f} % of the fuel's "
        f"{per_unit:.{1 if units.us else 2}f} kWh/{units.volume}, lower heating value)."
    )
    limits = (
        f"CAUTION: exhaust goes outboard. At {found.rated_w:.0f} W a closed space would need "
        f"{found.closed_space_m3_per_h:.0f} m3/h of fresh air to stay below {CO2_PEL_PPM} ppm of "
        f"carbon dioxide (NIOSH, OSHA; {CO2_IDLH_PPM} ppm endangers life). Methanol: "
        f"{METHANOL_REL_PPM} ppm over a working day (NIOSH, OSHA), "
        f"{METHANOL_STEL_PPM} ppm for a short time, skin (NIOSH). Sealed containers only; never "
        "decant below deck; its flame is hard to see."
    )
    if found.battery_air_m3_per_h is not None:
        limits += (
            f" The bank needs {found.battery_air_m3_per_h:.2f} m3/h while charged (IEC 62485-2)."
        )
    return filled(made, width) + filled(limits, width)
