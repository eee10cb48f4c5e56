"""The sheet for a passage: fuel needed, fuel to have aboard, what to buy, and by when.

The same rows make the sheet in the terminal and the page for the printer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day, figure_with_ends
from analysis.show.cautions import CAUTIONS, LIMITS, SHORT
from analysis.show.page.html import frame, page_kind
from analysis.show.page.pieces import heading, joined, paragraphs, table, tag, text
from analysis.show.wrapping import filled
from analysis.units import owner

if TYPE_CHECKING:
    from analysis.fuel.passage import Provision

_NAME = 24
_TITLE = "Fuel for a passage"
#: How a sheet of ours is recognised, which may be written over.
SHEET = page_kind("sheet for a passage", _TITLE)


def rows(found: Provision, now_s: float) -> list[tuple[str, str]]:
    """Return name and words of each row of the sheet, for who reads it at ``now_s`` (Unix time)."""
    units = owner().units
    need, unit, scale = found.need, units.volume, units.per_l
    size = units.container(found.container_l)
    told = [
        ("the passage takes", figure_with_ends(need.litres, unit, scale)),
        ("drawn under way", _drawn(found)),
        (
            "reserve",
            (
                f"{found.reserve_l * scale:.1f} {unit}: {found.reserve_d} more days under way, and "
                "a margin that only one passage in twenty exceeds"
            ),
        ),
        (
            "have aboard",
            f"{found.aboard_l * scale:.1f} {unit}: {found.containers_aboard} containers of {size}",
        ),
    ]
    if found.stock_l is None:
        told.append(("aboard now", "not known: name the sealed containers with --spare LITRES"))
    else:
        told.append(("aboard now", f"at least {found.stock_l * scale:.1f} {unit}"))
    told.append(("buy", _to_buy(found, size)))
    if (by := found.order_by_s) is not None:
        told.append(_order(found, by, now_s))
    return told if found.caution is None else [("caution", found.caution), *told]


def _to_buy(found: Provision, size: str) -> str:
    """Say how many containers are missing."""
    if not found.buy:
        return "nothing"
    less = ", less what is aboard" if found.stock_l is None else ""
    return f"{found.buy} containers of {size}{less}"


def _order(found: Provision, by_s: float, now_s: float) -> tuple[str, str]:
    """Say when to order; a day that has passed is no advice."""
    takes = f"delivery takes {found.delivery_d} days"
    if found.depart_s is not None:
        why = f"departure on {day(found.depart_s)}"
    elif by_s < now_s and found.out_s is not None:
        why = f"on usual days the stock may end on {day(found.out_s)}"
    else:
        why = "no day of departure is named; on usual days the stock lasts until it comes"
    return ("order by", f"{day(by_s) if by_s >= now_s else 'now'}: {takes}; {why}")


def _drawn(found: Provision) -> str:
    """Say where the load comes from, and whether that is little."""
    need = found.need
    ah, wh = figure_with_ends(need.load_ah, "Ah"), figure_with_ends(need.load_wh, "Wh")
    load = f"{ah}, {wh} a day"
    if need.trip.watts is not None:
        return f"{load}, as asked for ({need.trip.watts:.0f} W)"
    said = f"{load}, by {need.days_seen or 0.0:.0f} days under way in the log's last year"
    return f"{said}: FEW, so this is a rough estimate" if need.few else said


def notes(found: Provision) -> list[str]:
    """Return the notes beside the figures."""
    told = [
        "In brackets: 90 % interval. Engine and shore power are left out; with them it takes less."
    ]
    if found.need.flat_out:
        told.append(
            "The charger runs round the clock and still gives less than the boat draws: the "
            "battery discharges all the time, and more fuel does not help."
        )
    return told


def title(found: Provision) -> str:
    """Return the passage in words."""
    trip = found.need.trip
    words = f"{trip.under_way_d} days under way"
    return f"{words} and {trip.at_anchor_d} at anchor" if trip.at_anchor_d else words


def lines(
    found: Provision, label: str, last_s: float | None, width: int, now_s: float
) -> list[str]:
    """Return the sheet for a terminal, each line at most ``width`` characters (at least 40)."""
    width = max(40, min(width, 100))
    log = "" if last_s is None else f"; log to {day(last_s)}"
    out = filled(f"Fuel for a passage: {title(found)}", width)
    out += [*filled(f"{label}{log}", width), ""]
    for name, words in rows(found, now_s):
        out += filled(f"  {name:<{_NAME - 2}}{words}", width, " " * _NAME)
    out.append("")
    for note in notes(found):
        out += filled(note, width)
    return [*out, *filled(SHORT, width)]


def page(found: Provision, label: str, made: str, version: str, now_s: float) -> str:
    """Return the sheet as one self-contained page that prints."""
    cells = [(text(name), text(words)) for name, words in rows(found, now_s)]
    body = joined(
        table(f"Fuel for {title(found)}", ("", ""), cells, "tt"),
        paragraphs(*notes(found)),
        heading("Cautions"),
        *(tag("p", tag("strong", text(f"{c.title}.")), " ", text(c.text)) for c in CAUTIONS),
    )
    return frame(_TITLE, label, made, body, LIMITS, version)
