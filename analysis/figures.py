"""Writes figures for people: with as many digits as the uncertainty allows, a unit, and ISO dates.

Rounding follows the rule of the Particle Data Group (Review of Particle Physics, Introduction,
"Rounding"): if the three leading digits of the uncertainty lie between 100 and 354, two digits of
it are kept; between 355 and 949 one; between 950 and 999 it is rounded up to 1000 and two digits
are kept. The uncertainty is half the width of the 90 % interval.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from analysis.units import clock_offset, owner
from logger.durations import DAY_S, YEAR_S

if TYPE_CHECKING:
    from datetime import tzinfo

    from analysis.estimate import Span


def decimals(uncertainty: float) -> int:
    """Return how many decimals the uncertainty allows (negative: tens, hundreds, ...)."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        raise ValueError("an uncertainty is a positive number")
    exponent = math.floor(math.log10(uncertainty))
    leading = round(uncertainty / 10.0 ** (exponent - 2))
    if leading >= 1000:  # the logarithm fell just short of a power of ten
        exponent, leading = exponent + 1, 100
    if leading <= 354:
        return 1 - exponent
    return -exponent


def rounded(value: float, places: int) -> str:
    """Return ``value`` with ``places`` decimals; negative places round to tens and beyond."""
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def places_of(span: Span, scale: float = 1.0) -> int:
    """Return the decimals that a span's own width allows; 0 if its width is not known."""
    ends = [end * scale for end in (span.low, span.median, span.high) if end is not None]
    width = max(ends) - min(ends) if len(ends) > 1 else 0.0
    if width <= 0:
        return 0
    return min(decimals(width / 2 if len(ends) == 3 else width), 4)


#: Most decimals by unit: a current sensor is accurate to 1 % at best (common practice, no source),
#: so further digits would show chance alone. Days of fuel are counted whole.
_MOST_PLACES = {"%": 1, "L/kWh": 2, "containers": 1, "K": 1, "days": 0, "d": 0}


def _places(span: Span, unit: str, scale: float) -> int:
    return min(places_of(span, scale), _MOST_PLACES.get(unit, 4))


def figure(span: Span, unit: str = "", scale: float = 1.0) -> str:
    """Return the median of a span with its unit, or the end that is known, or 'not known'."""
    places, tail = _places(span, unit, scale), _unit(unit)
    if span.median is not None:
        text = rounded(span.median * scale, places)
        return f"{text} day" if (text, unit) == ("1", "days") else text + tail
    if span.low is not None:
        return f"at least {rounded(span.low * scale, places)}{tail}"
    if span.high is not None:
        return f"at most {rounded(span.high * scale, places)}{tail}"
    return "not known"


def ends(span: Span, unit: str = "", scale: float = 1.0) -> str:
    """Return the two ends of a span's interval as 'a to b unit'; empty if either is unknown."""
    if span.low is None or span.high is None:
        return ""
    places = _places(span, unit, scale)
    low, high = rounded(span.low * scale, places), rounded(span.high * scale, places)
    return f"{low} to {high}{_unit(unit)}"


def figure_with_ends(span: Span, unit: str = "", scale: float = 1.0) -> str:
    """Return 'x unit (a to b unit)', as far as it is known."""
    middle, both = figure(span, unit, scale), ends(span, unit, scale)
    return f"{middle} ({both})" if both and span.median is not None else middle


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""


#: What stands in place of a date that no calendar of four digits has.
_NO_DATE = "(impossible date)"


def _moment(time_s: float, zone: tzinfo, form: str) -> str:
    try:
        return datetime.fromtimestamp(time_s, zone).strftime(form)
    except (ValueError, OverflowError, OSError):
        # An older version, or another program, may have stored any number.
        return _NO_DATE


def iso(time_s: float | None) -> str | None:
    """Return Unix time as ISO 8601 in UTC, to the second, or None."""
    return None if time_s is None else _moment(time_s, UTC, "%Y-%m-%dT%H:%M:%SZ")


def local_iso(time_s: float) -> str:
    """Return Unix time as ISO 8601 in the owner's zone, with its offset, 'Z' for UTC."""
    offset = clock_offset(time_s, owner().zone).removeprefix("UTC") or "Z"
    moment = _moment(time_s, owner().zone, "%Y-%m-%dT%H:%M:%S")
    return moment if moment == _NO_DATE else f"{moment}{offset}"


def day(time_s: float, zone: tzinfo | None = None) -> str:
    """Return the ISO date of a Unix time, by the owner's own days unless a zone is given."""
    return _moment(time_s, zone or owner().zone, "%Y-%m-%d")


def minute(time_s: float, zone: tzinfo) -> str:
    """Return ISO date and time to the minute, without the zone: the caller shows that once."""
    return _moment(time_s, zone, "%Y-%m-%d %H:%M")


def clock(time_s: float, form: str = "%Y-%m-%d %H:%M") -> str:
    """Return date and time in the owner's zone with its offset: '2026-11-30 07:30 UTC+13:00'."""
    zone = owner().zone
    moment = _moment(time_s, zone, form)
    return moment if moment == _NO_DATE else f"{moment} {clock_offset(time_s, zone)}"


def _day_text(time_s: float, width_s: float) -> str:
    """Return an ISO date as precise as the width of its interval allows: year, month or day."""
    moment = datetime.fromtimestamp(time_s, owner().zone)
    if width_s > 6 * YEAR_S:
        return moment.strftime("%Y")
    if width_s > 120 * DAY_S:
        return moment.strftime("%Y-%m")
    return moment.strftime("%Y-%m-%d")


def date_figure(span: Span) -> str:
    """Return the median date, or 'not before ...', as precise as the interval allows."""
    width_s = (span.high - span.low) if span.low is not None and span.high is not None else YEAR_S
    if span.median is not None:
        return _day_text(span.median, width_s)
    if span.low is not None:
        return f"not before {_day_text(span.low, width_s)}"
    return "not known"


def date_ends(span: Span) -> str:
    """Return the two ends of an interval of dates, or nothing."""
    if span.low is None or span.high is None:
        return ""
    width_s = span.high - span.low
    return f"{_day_text(span.low, width_s)} to {_day_text(span.high, width_s)}"


def age(seconds: float) -> str:
    """Return a length of time as a person says it: '3 s', '14 min', '5 h', '12 d'."""
    if seconds < 0:
        return "0 s"
    for limit, length, unit in ((120, 1, "s"), (7200, 60, "min"), (2 * DAY_S, 3600, "h")):
        if seconds < limit:
            return f"{int(seconds / length)} {unit}"
    return f"{int(seconds / DAY_S)} d"


def clock_hours(hours: float) -> str:
    """Return hours as '7 h 05 min' below a day, else as whole hours."""
    total = round(hours * 60)
    if total < 60:
        return f"{total} min"
    if total < 24 * 60:
        return f"{total // 60} h {total % 60:02d} min"
    return f"{round(hours)} h"


def energy(kwh: float) -> str:
    """Return energy to about the accuracy of a log, a percent: Wh below 1 kWh, else kWh."""
    if kwh < 0.9995:
        return f"{round(kwh * 1000)} Wh"
    if kwh < 9.995:
        return f"{kwh:.2f} kWh"
    return f"{kwh:.1f} kWh" if kwh < 99.95 else f"{kwh:.0f} kWh"


def charge(ah: float) -> str:
    """Return charge to about the accuracy of a log, a percent.

    >>> charge(3.42), charge(85.3), charge(29783.0)
    ('3.4 Ah', '85 Ah', '29800 Ah')
    """
    return f"{rounded(ah, 1 if ah < 9.95 else 0 if ah < 999.5 else -1 if ah < 9995.0 else -2)} Ah"


def chance_words(chance: float) -> str:
    """Write a chance (0 to 1) in per cent; what a few thousand draws give is never certain.

    >>> chance_words(0.234), chance_words(1.0), chance_words(0.0)
    ('23 %', 'over 99 %', 'below 1 %')
    """
    if chance > 0.995:
        return "over 99 %"
    return "below 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"


def hours_words(life_h: float | tuple[float, float] | None) -> str:
    """Return a design life in words, as the configuration gives it: 7500 h, 7000 to 8000 h."""
    if life_h is None:
        return "no limit"
    if isinstance(life_h, tuple):
        return (
            f"{life_h[0]:.0f} to {life_h[1]:.0f} h"
            if life_h[0] < life_h[1]
            else hours_words(life_h[0])
        )
    return f"{life_h:.0f} h"
