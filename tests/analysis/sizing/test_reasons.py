"""The sentences that say why a size is recommended, by hand."""

from dataclasses import replace

import pytest

from analysis.assessment.document import Verdict
from analysis.inputs.meters import AT_WHICH, MEASURE_REASON
from analysis.sizing.candidates import Unit
from analysis.sizing.reasons import reasons
from analysis.sizing.result import Fitted, UnitOnBoat
from analysis.units import Owner, Units, read_by


def on_boat(rated_w, hours, years, carried=0.5, price=None, *, fitted=False, **more):
    unit = Unit(f"{rated_w:.0f} W", rated_w, 0.9, 7500.0, price=price, fitted=fitted)
    plain = UnitOnBoat(unit, 1.0, carried, hours, 365.25 * hours, years, None, None, None)
    return replace(plain, **more)


SMALL = on_boat(44.0, 20.0, 1.04, carried=0.61)
MIDDLE = on_boat(60.0, 15.6, 1.32, carried=0.97)
LARGE = on_boat(110.0, 8.4, 2.45)
HUGE = on_boat(200.0, 4.6, 4.5)


def told(judged, chosen="60 W", limit_w=34.6, end=0.6, today=None):
    return reasons(limit_w, judged, chosen, end, today)


def test_the_one_that_is_chosen_beside_the_next_ones():
    assert told([SMALL, MIDDLE, LARGE, HUGE]) == [
        "35 W and the battery carry 19 days in 20: 58 W when new, if replaced at 60 %",
        "60 W, the smallest to give that, runs 16 h on the mean day",
        (
            "the smaller one, 44 W, would run 20 h on the mean day and carry 61 % of days "
            "when old, flat out on the others, and last 1.0 years against 1.3"
        ),
        "the larger one, 110 W, would run 8 h on the mean day and last 2.5 years",
    ]
    # Of two smaller ones the larger is named.
    two = told(
        [replace(SMALL, unit=replace(SMALL.unit, label="30 W", rated_w=30.0)), SMALL, MIDDLE]
    )
    assert "44 W" in two[2]
    assert len(two) == 3


def test_two_digits_whatever_the_size():
    assert told([MIDDLE], limit_w=123.4, end=1.0)[0].startswith("120 W and the battery")
    assert told([MIDDLE], limit_w=9.96, end=1.0)[0].startswith("10 W and the battery")
    assert told([MIDDLE], limit_w=0.0, end=1.0)[0].startswith("0 W and the battery")


def test_where_none_is_large_enough():
    assert told([SMALL, MIDDLE], chosen=None)[1:] == [
        "none of these units gives that when old: a larger one is needed",
        (
            "the largest of these, 60 W, would run 16 h on the mean day and carry 97 % of days "
            "when old"
        ),
    ]
    assert len(told([], chosen=None)) == 2


def test_a_fitted_unit_that_is_due_and_one_whose_output_is_to_be_measured():
    due = Fitted(output=0.62, remaining_h=0.0, verdict=Verdict.PLAN)
    assert told([MIDDLE], today=due)[1] == "fitted unit at 62 %: plan its replacement"
    unsure = told(
        [MIDDLE], today=replace(due, verdict=Verdict.REPLACE, until="output", to_measure=True)
    )[1]
    assert unsure == f"fitted unit at 62 %: replace it {MEASURE_REASON}; {AT_WHICH}"
    strong = replace(due, output=0.96, until="load")
    assert told([MIDDLE], today=strong)[1] == (
        "fitted unit at 96 %, too little for this boat soon: plan its replacement"
    )
    assert (
        "design hours nearly used: plan"
        in (told([MIDDLE], today=replace(strong, until="design_hours"))[1])
    )
    assert told([MIDDLE], today=replace(due, verdict=Verdict.SOUND)) == told([MIDDLE])
    # The fitted one, worn as it is, is no size to compare with; without a word of it, it is.
    fitted = replace(SMALL, unit=replace(SMALL.unit, fitted=True))
    assert len(told([fitted, MIDDLE], today=due)) == 3
    assert len(told([fitted, MIDDLE])) == 3


def test_the_cost_is_added_up_before_the_reader():
    bought = on_boat(60.0, 15.6, 1.32, price=4000.0, price_per_year=3030.3, cost_per_year=3030.3)
    assert told([bought])[2] == ("cost a year: 4000 over 1.3 years is about 3030 without fuel")
    # 307 L a year at 1.50.
    fuel = replace(bought, litres_per_year=306.8, fuel_per_year=460.2, cost_per_year=3490.5)
    assert told([fuel])[2] == (
        "cost a year: 4000 over 1.3 years is about 3030, 307 L at 1.50 are 460: 3490"
    )
    read_by(Owner(units=Units(us=True)))
    # 1 US gallon is 3.785411784 L (NIST SP 811): 81 gallons at 5.68.
    assert "81 US gal at 5.68 are 460" in told([fuel])[2]


@pytest.mark.parametrize("missing", ["price_per_year", "price"])
def test_without_a_price_no_cost_is_told(missing):
    bought = on_boat(60.0, 15.6, 1.32, price=4000.0, price_per_year=3030.3)
    if missing == "price":
        bought = replace(bought, unit=replace(bought.unit, price=None))
    else:
        bought = replace(bought, price_per_year=None)
    assert not any("cost" in reason for reason in told([bought]))
