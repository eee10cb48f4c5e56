"""An earlier document against the log of now: did its forecast hold?"""

from dataclasses import replace

import pytest

from analysis.estimate import Span
from analysis.show.comparison import compare
from tests.support import scenes

DAY_S = 86400.0


def earlier(now, *, ran_h, hours, fraction=(0.735, 0.745, 0.755), decline=(0.076, 0.082, 0.088)):
    """Return the document of a visit ``ran_h`` running hours ago."""
    document = now.document()
    document["output"] |= dict(zip(("low", "fraction", "high"), fraction, strict=True))
    document["output"]["at_runtime_h"] = now.at_runtime_h - ran_h
    document["decline"] |= dict(zip(("low", "per_1000h", "high"), decline, strict=True))
    document["observed"]["running_hours"] = now.running_hours - ran_h
    document["remaining"]["hours"] = dict(zip(("low", "median", "high"), hours, strict=True))
    return document


@pytest.fixture(scope="module")
def now():
    return scenes.assessment(
        output=Span(0.636, 0.641, 0.646), remaining_h=Span(370.0, 500.0, 650.0), steps=()
    )


def change(document, now, what):
    (found,) = [c.change for c in compare(document, now).changes if c.what == what]
    return found


def test_a_forecast_that_came_true_is_not_flagged(now):
    # Remaining 1,800 h then (1,300 to 2,500), 1,313 h run since: 487 h (0 to 1,187) were left by
    # it, and 500 h (370 to 650) are said now.
    document = earlier(now, ran_h=1313.0, hours=(1300.0, 1800.0, 2500.0))
    told = change(document, now, "remaining hours")
    assert told.startswith("after 1313 h run, ")
    assert "were forecast: the forecast held" in told
    # Output: 74.5 % less 1.313 times 8.2 % is 63.7 %.
    assert change(document, now, "available output") == (
        "-10.4 % of rated, as the decline of then lets expect (63.7 %)"
    )
    assert "more than" not in str(compare(document, now))


def test_a_forecast_that_failed_is(now):
    too_long = earlier(now, ran_h=1313.0, hours=(2400.0, 3000.0, 4000.0))
    assert change(too_long, now, "remaining hours").endswith("the forecast did not hold")
    flat = earlier(now, ran_h=1313.0, hours=(2400.0, 3000.0, 4000.0), decline=(0.02, 0.03, 0.04))
    assert "more than the decline of then lets expect" in change(flat, now, "available output")


def test_what_is_open_is_not_judged(now):
    document = earlier(now, ran_h=1313.0, hours=(1300.0, None, None))
    assert change(document, now, "remaining hours") == ""
    later = replace(now, remaining_h=Span(low=300.0))
    assert change(earlier(now, ran_h=10.0, hours=(1.0, 2.0, 3.0)), later, "remaining hours") == ""
