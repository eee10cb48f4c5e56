"""The fitter's check list: the items to check when a charger is fitted; ticks are stored as events.

A tick is an event of the kind ``check``; its text names the item, who ticked it, and a remark.
Ticks of an earlier charger do not count for the one fitted now.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import UsageError
from logger.event import by_whom, day_begins_s
from logger.sections import CHECK_LIST

if TYPE_CHECKING:
    from collections.abc import Iterable

    from logger.event import Event

KIND = "check"
_TICK = re.compile(r"(\w+), ticked by ([^:]+)(?:: (.*))?")


@dataclass(frozen=True, slots=True)
class Item:
    """One item to check; the items are in the order of careful work.

    What must be so is the word of the unit's own manual; a figure of the trade stands here only
    where a published standard carries it.
    """

    key: str
    text: str
    from_manual: tuple[str, ...] = ()
    """Keys of ``[unit]`` whose figures belong to this item."""


ITEMS = (
    Item("manual", "The unit's own manual is aboard, and was read before the work began"),
    Item("place", "The unit is fixed where and how its manual says", ("heel_deg", "clearance_cm")),
    Item(
        "air",
        "Air comes in and exhaust goes out as the manual says, each by its own way",
        ("intake_c", "exhaust_hose_m", "exhaust_bend_cm"),
    ),
    Item("fuel", "Fuel, if it takes any, is kept, fixed and connected as the manual says"),
    Item("wiring", "Joints are clean and tight; no lead can chafe; polarity was measured"),
    Item("fuse", "Fuse in the positive lead (ABYC E-11: within 7 inches of battery)", ("fuse_a",)),
    Item("run", "One whole run was watched from start to stop, and stands in the log"),
    Item("handover", "Cautions were read, and handed over to the owner"),
)
KEYS = CHECK_LIST


@dataclass(frozen=True, slots=True)
class Tick:
    """Who ticked an item, and when."""

    time_s: float
    who: str
    remark: str


def tick_text(key: str, who: str, remark: str) -> str:
    """Return the text of the event that ticks an item.

    Raises
    ------
    UsageError
        If there is no such item, or nobody is named.
    """
    if key not in KEYS:
        raise UsageError(f"{key!r} is no item of the check list; accepted: {', '.join(KEYS)}")
    return f"{key}, {by_whom(who, remark)}"


def ticked(
    events: Iterable[Event], fitted: str | None, replaced: str | None = None
) -> dict[str, Tick]:
    """Return the newest tick of each item since the day of fitting (ISO date; None: ever).

    ``replaced`` is the day on which the next charger was fitted, if there was one.
    """
    begin_s = -math.inf if fitted is None else day_begins_s(fitted)
    end_s = math.inf if replaced is None else day_begins_s(replaced)
    found: dict[str, Tick] = {}
    for event in sorted(events, key=lambda e: e.time_s):
        told = _TICK.fullmatch(event.text) if event.kind == KIND and not event.struck else None
        if told is not None and told[1] in KEYS and begin_s <= event.time_s < end_s:
            found[told[1]] = Tick(event.time_s, told[2], told[3] or "")
    return found
