"""Whether a figure of a fitting keeps its limit, and where each limit is from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.installation.result import GOOD_DROP
from analysis.installation.warming import USUAL_RISE_K
from analysis.units import owner

if TYPE_CHECKING:
    from analysis.estimate import Span
    from analysis.installation.result import FitCheck

PASS, FAIL, OPEN = "pass", "fail", "open"


def judged(span: Span, limit: float) -> str:
    """Return whether a figure keeps an upper limit: open where its interval holds the limit."""
    if span.high is not None and span.high <= limit:
        return PASS
    if span.low is not None and span.low > limit:
        return FAIL
    return OPEN


def limits(check: FitCheck) -> dict[str, tuple[float, str]]:
    """Return the upper limit of each judged row of the table, in its scale, and its words.

    The loop holds the battery's own resistance, so it has no limit of its own.
    """
    good = f"{100 * GOOD_DROP:.0f} % (common practice, ABYC E-11 for feeders)"
    found = {
        "cable drop": (GOOD_DROP / check.drop(1.0), good),
        "compartment warms by": (USUAL_RISE_K, f"{USUAL_RISE_K:.0f} K (common practice)"),
    }
    if check.iec_ohm is not None:
        at = owner().units.temperature(20.0)
        words = f"{1000 * check.iec_ohm:.1f} mOhm (IEC 60228, cable alone, {at})"
        found["cable resistance"] = (check.iec_ohm, words)
    return found
