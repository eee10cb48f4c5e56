"""Figures are written to the digits that their uncertainty allows, and dates are ISO."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from analysis.estimate import Span
from analysis.figures import (
    age,
    charge,
    clock_hours,
    date_ends,
    date_figure,
    decimals,
    ends,
    energy,
    figure,
    figure_with_ends,
    rounded,
)
from analysis.units import Owner, read_by


# Particle Data Group, Review of Particle Physics, Introduction, "Rounding": the worked examples
# 0.827 +- 0.119 -> 0.83 +- 0.12 and 0.827 +- 0.367 -> 0.8 +- 0.4; 950 to 999 keep two digits of
# 1000 (from memory).
@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        (0.827, 0.119, "0.83"),
        (0.827, 0.367, "0.8"),
        (0.827, 0.354, "0.83"),
        (0.827, 0.355, "0.8"),
        (827.0, 95.1, "830"),
        (827.0, 94.9, "830"),
        (82.7, 0.962, "82.7"),
        (1704.0, 1200.0, "1700"),
        (1704.0, 367.0, "1700"),
        (-0.001, 0.2, "0.00"),
        (5.0, 0.1, "5.00"),
        (5.0, 1000.0, "0"),
    ],
)
def test_the_uncertainty_decides_the_digits(value, uncertainty, written):
    assert rounded(value, decimals(uncertainty)) == written


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, float("nan"), float("inf")])
def test_an_uncertainty_that_is_none_is_refused(uncertainty):
    with pytest.raises(ValueError, match="positive"):
        decimals(uncertainty)


def test_a_span_is_written_with_its_ends():
    span = Span(0.664, 0.712, 0.752)
    assert figure_with_ends(span, "%", 100) == "71 % (66 to 75 %)"
    assert ends(Span(900.0, 1700.0, 3300.0), "h") == "900 to 3300 h"


def test_days_of_fuel_are_whole_and_one_is_one_day():
    assert figure_with_ends(Span(4.0, 7.0, 10.0), "days") == "7 days (4 to 10 days)"
    assert figure_with_ends(Span(0.0, 1.0, 4.0), "days") == "1 day (0 to 4 days)"
    assert figure(Span(4.0, 7.0, 10.0), "d") == "7 d"


def test_what_is_not_known_is_said():
    assert figure(Span(), "%") == "not known"
    assert figure(Span(low=0.64), "%", 100) == "at least 64 %"
    assert figure(Span(high=0.64), "%", 100) == "at most 64 %"
    assert ends(Span(low=0.64), "%") == ""
    assert figure_with_ends(Span(median=5.0), "h") == "5 h"


def at(*ymd):
    return datetime(*ymd, tzinfo=UTC).timestamp()


def test_dates_have_the_precision_of_their_interval():
    weeks = Span(at(2027, 5, 1), at(2027, 5, 14), at(2027, 6, 1))
    years = Span(at(2027, 1, 1), at(2028, 3, 1), at(2030, 1, 1))
    decades = Span(at(2027, 1, 1), at(2031, 3, 1), at(2040, 1, 1))
    assert date_figure(weeks) == "2027-05-14"
    assert date_figure(years) == "2028-03"
    assert date_figure(decades) == "2031"
    assert date_ends(years) == "2027-01 to 2030-01"
    assert date_figure(Span(low=at(2027, 3, 4))) == "not before 2027-03"
    assert date_figure(Span()) == "not known"
    assert date_ends(Span()) == ""


def test_a_forecast_date_is_one_of_the_owners_days():
    noon = Span(at(2027, 5, 1, 12), at(2027, 5, 14, 12), at(2027, 5, 31, 12))
    read_by(Owner(ZoneInfo("Pacific/Auckland")))
    assert date_figure(noon) == "2027-05-15"  # midnight there: UTC+12
    assert date_ends(noon) == "2027-05-02 to 2027-06-01"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(-4, "0 s"), (2.9, "2 s"), (119, "119 s"), (840, "14 min"), (18000, "5 h"), (1e6, "11 d")],
)
def test_age_is_said_as_a_person_says_it(seconds, said):
    assert age(seconds) == said


def test_hours_and_energy():
    assert clock_hours(0.25) == "15 min"
    assert clock_hours(7.083) == "7 h 05 min"
    assert clock_hours(130.4) == "130 h"
    assert charge(3.42) == "3.4 Ah"
    assert charge(9.96) == "10 Ah"
    assert charge(85.3) == "85 Ah"
    assert charge(29783.0) == "29800 Ah"
    assert energy(0.617) == "617 Wh"
    assert energy(0.9999) == "1.00 kWh"
    assert energy(3.9) == "3.90 kWh"
    assert energy(42.04) == "42.0 kWh"
    assert energy(1301.2) == "1301 kWh"
