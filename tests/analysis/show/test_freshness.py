"""What ages is suspended once the log is too old for it, and the reason is told."""

from dataclasses import replace

import pytest

from analysis.estimate import Span
from analysis.show.freshness import fuel_too_old, with_forecast_suspended
from analysis.show.matter import Matter
from analysis.show.screen.summary import summary
from tests.support.screens.scenes import DAY_S, sound

END_S = 1_700_000_000.0


def left_for(days):
    """Return an assessment whose limit lies so many days after the end of its log."""
    limit_s = END_S + days * DAY_S
    return replace(
        sound(),
        observed_to_s=END_S,
        remaining_h=Span(400.0, 500.0, 650.0),
        remaining_date=Span(limit_s - DAY_S, limit_s, limit_s + DAY_S),
    )


@pytest.mark.parametrize(
    ("named_d", "age_d", "stays"),
    [
        (100, 29, True),  # a tenth is 10 days, but 30 are borne
        (100, 31, False),
        (1000, 99, True),  # a tenth of 1000 days
        (1000, 101, False),
    ],
)
def test_a_forecast_bears_a_tenth_of_what_remains_and_thirty_days(named_d, age_d, stays):
    before = left_for(named_d)
    seen = with_forecast_suspended(before, END_S + age_d * DAY_S)
    assert (seen.remaining_h == before.remaining_h) is stays
    assert (seen.remaining_date == Span()) is not stays
    if not stays:
        assert f"ended {age_d} d ago, on 2023-11-14" in seen.withheld
        assert seen.output == before.output
        assert seen.verdict is before.verdict


@pytest.mark.parametrize(
    ("days", "age_d", "said"),
    [
        (Span(3.0, 7.0, 15.0), 6.9, None),
        (Span(3.0, 7.0, 15.0), 7.1, "ended 7 d ago"),
        (Span(low=3.0), 4.0, "ended 4 d ago"),
        (Span(), 400.0, None),
    ],
)
def test_fuel_bears_a_log_as_old_as_it_lasts(days, age_d, said):
    why = fuel_too_old(days, END_S, END_S + age_d * DAY_S)
    assert (why is None) if said is None else (said in why and "longer than" in why)
    assert fuel_too_old(days, None, END_S) is None


def test_the_summary_says_as_of_when_and_names_no_date_in_the_past():
    now_s = END_S + 446 * DAY_S
    told = summary(Matter(with_forecast_suspended(left_for(200), now_s), (), now_s, "0.1.0"), 80)
    shown = "\n".join(line.text for line in told)
    assert "as of 2023-11-14" in shown
    assert "ended 446 d ago" in " ".join(shown.split())
    assert "2024-06" not in shown, "the date that the old log forecast is not shown"
