"""The verdict at its limits: what decides it, which reason it gives, and what it advises."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from analysis.assessment.document import Verdict
from analysis.assessment.verdict import Situation, advice, notes, verdict
from analysis.estimate import Span
from analysis.inputs.meters import MEASURE

#: A healthy unit with a complete log; each test changes what it is about.
HEALTHY = Situation(
    output=Span(0.93, 0.95, 0.97),
    sensor_decides=False,
    measured=False,
    slope=Span(0.01, 0.02, 0.03),
    forecast=None,
    plan_below=0.75,
    replace_below=0.60,
    hours_per_year=400.0,
    runs=60,
    values=50,
    bounds=10,
    held=False,
    drifts=False,
    first=None,
    heat_known=True,
    since_start=Span(0.95, 0.97, 0.99),
    steps=0,
    renewed=False,
    renewal_found=False,
    temperature_told=True,
    states_told=True,
    counted=True,
    ceiling_known=True,
    held_current_v=None,
    warm_found=False,
    other_source_h=0.0,
    now_h=1000.0,
    design_life_h=None,
)


def ahead(low, median, high, until="output", withheld=None, code=None, first=None):
    """What the verdict reads of a forecast."""
    return SimpleNamespace(
        hours=Span(low, median, high),
        until=until,
        first=first or {},
        withheld=withheld,
        withheld_code=code,
    )


def decided(**what):
    said, reasons = verdict(replace(HEALTHY, **what))
    return said, [reason.code for reason in reasons]


@pytest.mark.parametrize(
    ("output", "said", "codes"),
    [
        (Span(0.93, 0.95, 0.97), Verdict.SOUND, ["output_sound"]),
        (Span(0.76, 0.78, 0.80), Verdict.SOUND, ["output_sound"]),
        # The lower end reaches below the plan limit: sound, with a word.
        (Span(0.74, 0.78, 0.82), Verdict.SOUND, ["output_sound", "plan_limit_near"]),
        (Span(0.75, 0.75, 0.77), Verdict.SOUND, ["output_sound"]),
        (Span(0.72, 0.749, 0.77), Verdict.PLAN, ["below_plan"]),
        # The lower end reaches below the replacement limit: that limit is named.
        (Span(0.59, 0.78, 0.97), Verdict.PLAN, ["below_plan"]),
        (Span(0.58, 0.60, 0.62), Verdict.PLAN, ["below_plan"]),
        (Span(0.57, 0.599, 0.62), Verdict.REPLACE, ["below_replace"]),
    ],
)
def test_the_limits_decide(output, said, codes):
    assert decided(output=output) == (said, codes)


def test_the_limit_that_decided_is_named():
    _, (plan,) = verdict(replace(HEALTHY, output=Span(0.70, 0.72, 0.74)))
    assert "72.0 % of rated (70.0 to 74.0 %); the plan limit is 75 %" in plan.text
    _, (low,) = verdict(replace(HEALTHY, output=Span(0.55, 0.80, 0.97)))
    assert "the replacement limit is 60 %" in low.text
    _, (gone,) = verdict(replace(HEALTHY, output=Span(0.50, 0.52, 0.54)))
    assert "below the replacement limit of 60 %" in gone.text


@pytest.mark.parametrize(
    ("hours", "a_year", "soon"),
    [
        (399.0, 400.0, True),
        (400.0, 400.0, False),
        # A boat that hardly uses it: 200 h decide.
        (199.0, 50.0, True),
        (201.0, 50.0, False),
        # The log does not show a year: 500 h.
        (499.0, None, True),
        (500.0, None, False),
    ],
)
def test_planning_begins_a_year_of_use_before_the_limit(hours, a_year, soon):
    forecast = ahead(hours / 2, hours, hours * 2)
    said, codes = decided(forecast=forecast, hours_per_year=a_year)
    assert said is (Verdict.PLAN if soon else Verdict.SOUND)
    assert ("limit_near" in codes) is soon


def test_what_comes_first_is_said_in_words():
    def why(forecast, **more):
        _, reasons = verdict(replace(HEALTHY, forecast=forecast, **more))
        return reasons[0].code, reasons[0].text

    assert why(ahead(50.0, 100.0, 150.0)) == (
        "limit_near",
        "in about 100 running hours the output falls below the replacement limit",
    )
    code, text = why(ahead(50.0, 100.0, 150.0, "load"))
    assert code == "limit_near"
    assert "no longer carry this boat's load" in text
    code, text = why(ahead(0.0, 0.0, 0.0, "design_hours"), design_life_h=7000.0)
    assert code == "design_hours_used"
    assert "7000 h" in text
    assert "the output alone does not call for replacement" in text
    assert why(ahead(0.0, 0.0, 0.0, "load")) == (
        "limit_near",
        "it can no longer carry this boat's load with its battery",
    )
    code, text = why(ahead(0.0, 0.0, 1240.0, "load"))
    assert text.endswith("0 to 1240 running hours may be left")
    assert "may already be too weak" in text


OTHER = ". Another limit may come first: the replacement limit (chance 38 %)"


@pytest.mark.parametrize(
    ("forecast", "ends"),
    [
        ((50.0, 100.0, 150.0), "load with its battery" + OTHER),
        ((0.0, 0.0, 1240.0), "0 to 1240 running hours may be left" + OTHER),
        ((0.0, 0.0, 0.0), "load with its battery"),
    ],
)
def test_the_reason_names_the_other_limit_that_may_come_first(forecast, ends):
    first = {"load": 0.55, "output": 0.38, "design_hours": 0.07}
    _, reasons = verdict(replace(HEALTHY, forecast=ahead(*forecast, "load", first=first)))
    assert reasons[0].code == "limit_near"
    assert reasons[0].text.endswith(ends)
    sure = {"load": 0.8, "output": 0.2, "design_hours": 0.0}
    _, reasons = verdict(replace(HEALTHY, forecast=ahead(*forecast, "load", first=sure)))
    assert "may come first" not in reasons[0].text


def test_used_up_design_hours_name_the_other_limit_that_may_come_first():
    first = {"design_hours": 0.6, "output": 0.3, "load": 0.1}
    forecast = ahead(0.0, 0.0, 400.0, "design_hours", first=first)
    _, reasons = verdict(replace(HEALTHY, forecast=forecast, design_life_h=(900.0, 1500.0)))
    assert reasons[0].code == "design_hours_used"
    assert reasons[0].text.endswith(
        "Another limit may come first: the replacement limit (chance 30 %) or this boat's load "
        "(chance 10 %)"
    )


def test_without_an_estimate_the_verdict_is_open_and_says_why():
    unknown = {"output": Span(None, None, None)}
    assert decided(**unknown, runs=0) == (Verdict.UNDETERMINED, ["no_runs"])
    assert decided(**unknown, values=3) == (Verdict.UNDETERMINED, ["too_few_runs"])
    at_least = {"output": Span(0.82, None, None)}
    assert decided(**at_least, values=0) == (
        Verdict.UNDETERMINED,
        ["battery_limited_only", "lower_bound"],
    )
    assert decided(**at_least, values=0, bounds=0)[1][0] == "too_few_runs"
    _, (_, bound) = verdict(replace(HEALTHY, **at_least, values=0))
    assert "at least 82.0 % of rated" in bound.text


def test_a_current_that_was_held_is_not_laid_to_the_battery():
    at_least = {"output": Span(0.82, None, None), "values": 0, "held": True}
    said, (why, bound) = verdict(replace(HEALTHY, **at_least))
    assert said is Verdict.UNDETERMINED
    assert why.code == "held_only"
    assert "battery" not in why.text + bound.text
    assert not [
        words for words in advice(replace(HEALTHY, **at_least)) if "well below full" in words
    ]


def test_a_sensor_that_may_drift_calls_for_no_replacement_where_the_truth_may_be_sound():
    wide = {"output": Span(0.50, 0.73, 0.96)}
    assert verdict(replace(HEALTHY, **wide))[0] is Verdict.PLAN
    said, (why,) = verdict(replace(HEALTHY, drifts=True, **wide))
    assert (said, why.code) == (Verdict.UNDETERMINED, "sensor_drifts")
    assert "50.0 % to 96.0 %" in why.text
    # Whatever the sensor's drift is, this one is worn.
    worn = {"output": Span(0.40, 0.55, 0.70), "drifts": True}
    assert verdict(replace(HEALTHY, **worn))[0] is Verdict.REPLACE


#: New when its log began, weak by then, and of that it has kept almost all.
WEAK = {
    "output": Span(0.54, 0.57, 0.60),
    "first": 0.64,
    "since_start": Span(0.86, 0.89, 0.92),
    "heat_known": False,
}


def test_a_unit_that_was_weak_when_new_is_not_replaced_before_its_place_and_sensor_are_known():
    said, (why,) = verdict(replace(HEALTHY, **WEAK))
    assert (said, why.code) == (Verdict.UNDETERMINED, "unit_or_place")
    assert "it gave 64.0 % of rated, and it still gives 89.0 % of that" in why.text
    assert "57.0 % today" in why.text
    assert "heat or a wrong sensor looks the same" in why.text
    assert MEASURE not in advice(replace(HEALTHY, **WEAK))
    # One of both known: the other is named alone.
    for known, cause in (("heat_known", "a wrong sensor"), ("measured", "heat")):
        said, (why,) = verdict(replace(HEALTHY, **WEAK | {known: True}))
        assert said is Verdict.UNDETERMINED
        assert f"not wear alone; {cause} looks the same" in why.text
    both = {"heat_known": True, "measured": True}
    assert decided(**WEAK | both) == (Verdict.REPLACE, ["below_replace"])
    assert decided(**WEAK | {"first": None}) == (Verdict.REPLACE, ["below_replace"])


@pytest.mark.parametrize(
    ("output", "kept", "said"),
    [
        # What it lost since would ask for it even if it had been as new when the log began.
        (0.40, 0.599, Verdict.REPLACE),
        (0.40, 0.60, Verdict.UNDETERMINED),
        (0.70, 0.749, Verdict.PLAN),
        (0.70, 0.75, Verdict.UNDETERMINED),
        (0.80, 0.98, Verdict.SOUND),
    ],
)
def test_what_a_weak_unit_lost_since_it_was_new_decides_by_itself(output, kept, said):
    what = {"output": Span(output - 0.01, output, output + 0.01)}
    what["since_start"] = Span(kept - 0.1, kept, kept + 0.1)
    assert decided(**WEAK | what)[0] is said


def test_design_hours_count_whether_the_unit_was_weak_when_new_or_not():
    sound = WEAK | {"output": Span(0.79, 0.80, 0.81), "design_life_h": 7500.0}
    ends = {"forecast": ahead(90.0, 100.0, 110.0, until="design_hours")}
    assert decided(**sound | ends)[0] is Verdict.PLAN
    ends = {"forecast": ahead(90.0, 100.0, 110.0, until="output")}
    assert decided(**sound | ends)[0] is Verdict.UNDETERMINED
    # HEALTHY has 1000 h. Once they are used up, another unit is due anyway.
    for life_h, said in (
        (1000.0, Verdict.REPLACE),
        ((900.0, 1000.0), Verdict.REPLACE),
        ((900.0, 1001.0), Verdict.UNDETERMINED),
    ):
        assert decided(**WEAK | {"design_life_h": life_h})[0] is said


def test_runs_that_a_setting_held_ask_for_no_emptier_battery():
    many = {"bounds": 40, "values": 10}
    assert any("charge ceiling" in words for words in advice(replace(HEALTHY, **many)))
    assert not any("charge ceiling" in w for w in advice(replace(HEALTHY, held=True, **many)))


def noted(**what):
    return [reason.code for reason in notes(replace(HEALTHY, **what))]


def test_notes_tell_what_widened_the_figures_and_nothing_else():
    assert noted(bounds=0) == []
    assert noted() == ["lower_bounds"]
    assert noted(bounds=0, steps=2) == ["steps"]
    assert noted(bounds=0, renewed=True) == ["renewed"]
    assert noted(bounds=0, renewed=True, renewal_found=True) == ["renewal_found"]
    assert noted(bounds=0, temperature_told=False) == ["no_temperature"]
    assert noted(values=0, temperature_told=False) == []
    assert noted(bounds=0, held_current_v=12.84) == ["held_current"]
    assert "12.8 V" in notes(replace(HEALTHY, bounds=0, held_current_v=12.84))[0].text
    # More than an hour and more than 2 % of the running hours.
    assert noted(bounds=0, other_source_h=20.0) == []
    assert noted(bounds=0, other_source_h=20.1) == ["other_source"]
    assert noted(bounds=0, other_source_h=0.9, now_h=10.0) == []
    open_end = ahead(10.0, None, None, None, "the log does not show a clear decline yet", "not_yet")
    assert noted(bounds=0, forecast=open_end) == ["not_yet"]


def test_one_run_is_told_in_the_singular():
    (note,) = notes(replace(HEALTHY, bounds=1))
    assert note.text == "1 run in which the battery held the current counts as a lower bound"
    (held,) = notes(replace(HEALTHY, bounds=2, held=True))
    assert held.text.startswith("2 runs in which a setting, the sensor or the battery held")
    one, two = (notes(replace(HEALTHY, bounds=0, steps=steps))[0].text for steps in (1, 2))
    assert one.startswith("1 sudden change of")
    assert two.startswith("2 sudden changes of")


def test_advice_names_what_is_missing():
    assert advice(HEALTHY) == []
    assert "clamp meter" in advice(replace(HEALTHY, sensor_decides=True))[0]
    (longer,) = advice(replace(HEALTHY, values=3))
    assert "well below full" in longer
    assert advice(replace(HEALTHY, values=4, bounds=12)) == []
    (lower,) = advice(replace(HEALTHY, values=4, bounds=13))
    assert "lower state of charge" in lower
    for missing, word in (
        ("temperature_told", "temperature"),
        ("states_told", "[states]"),
        ("counted", "hour counter"),
        ("ceiling_known", "charge_ceiling_v"),
    ):
        (told,) = advice(replace(HEALTHY, **{missing: False}))
        assert word in told
        assert advice(replace(HEALTHY, **{missing: False}, runs=0, values=0, bounds=0)) == []


def test_the_words_of_a_limit_that_is_near():
    def why(forecast, **more):
        _, reasons = verdict(replace(HEALTHY, forecast=forecast, **more))
        return reasons[0].text

    beneath = "the output may already be below the replacement limit for good"
    assert why(ahead(0.0, 0.0, 14.0)) == f"{beneath}: 0 to 10 running hours may be left"
    assert why(ahead(0.0, 0.0, None)) == beneath
    assert why(ahead(0.0, 0.0, None, None)) == beneath
    # Less than an hour is nothing.
    assert why(ahead(0.0, 0.0, 0.9, "load")) == (
        "it can no longer carry this boat's load with its battery"
    )
    assert why(ahead(0.0, 0.0, 1.0, "load")).startswith("it may already be too weak")
    assert "the design hours (7000 to 8000 h) are used up" in why(
        ahead(50.0, 100.0, 150.0, "design_hours"), design_life_h=(7000.0, 8000.0)
    )
    sound = decided(forecast=ahead(0.0, None, None))
    assert sound == (Verdict.SOUND, ["output_sound"])


def test_two_reasons_to_plan_stand_together():
    said, codes = decided(output=Span(0.70, 0.72, 0.74), forecast=ahead(50.0, 100.0, 150.0))
    assert (said, codes) == (Verdict.PLAN, ["below_plan", "limit_near"])
    # Below the replacement limit nothing else is said.
    said, codes = decided(output=Span(0.5, 0.55, 0.59), forecast=ahead(50.0, 100.0, 150.0))
    assert (said, codes) == (Verdict.REPLACE, ["below_replace"])


def test_ends_that_are_not_known_are_taken_for_none_and_all():
    said, (reason, *_) = verdict(replace(HEALTHY, output=Span(None, 0.95, None)))
    assert "95.0 % of rated (0.0 to 100.0 %)" in reason.text
    assert said is Verdict.PLAN, "it may lie below the replacement limit"


def test_how_many_runs_show_it_is_told_in_words():
    def why(runs, values):
        unknown = Span(None, None, None)
        _, (reason,) = verdict(replace(HEALTHY, output=unknown, runs=runs, values=values, bounds=0))
        return reason.text

    assert why(5, 0).startswith("none of 5 runs shows how much")
    assert why(5, 1).startswith("1 of 5 runs shows how much")
    assert why(1, 1).startswith("1 of 1 run shows how much")
    assert why(5, 2).startswith("2 of 5 runs show how much")


def test_limits_are_told_as_configured():
    _, (reason,) = verdict(
        replace(HEALTHY, output=Span(0.70, 0.72, 0.74), plan_below=0.725, replace_below=0.55)
    )
    assert reason.text.endswith("the plan limit is 72.5 %")


def test_hours_with_another_source_are_told():
    (note,) = notes(replace(HEALTHY, bounds=0, other_source_h=30.4))
    assert note.text.startswith("for 30 h the charger idled")
    (many,) = notes(replace(HEALTHY, bounds=2))
    assert many.text == "2 runs in which the battery held the current count as lower bounds"
    assert notes(replace(HEALTHY, bounds=2, values=0)) == []
    open_end = ahead(10.0, None, None, None, "not known", None)
    assert notes(replace(HEALTHY, bounds=0, forecast=open_end))[0].code == "withheld"
    # Exactly an hour is not more than one.
    assert notes(replace(HEALTHY, bounds=0, other_source_h=1.0, now_h=10.0)) == []
    assert notes(replace(HEALTHY, bounds=0, other_source_h=1.1, now_h=10.0)) != []


def test_nobody_is_told_to_run_a_charger_that_a_setting_holds():
    assert advice(replace(HEALTHY, values=3, bounds=0, held=True)) == []
    assert len(advice(replace(HEALTHY, values=3, bounds=0))) == 1
    assert advice(replace(HEALTHY, values=0, bounds=0, runs=0)) == []


@pytest.mark.parametrize(
    ("changes", "asked"),
    [
        ({"output": Span(0.50, 0.52, 0.54)}, True),
        ({"output": Span(0.70, 0.72, 0.74)}, True),
        ({"forecast": ahead(50.0, 100.0, 150.0)}, True),
        ({"forecast": ahead(50.0, 100.0, 150.0, "load")}, True),
        # Hours are counted, whatever the current sensor shows.
        ({"forecast": ahead(50.0, 100.0, 150.0, "design_hours")}, False),
        ({"forecast": ahead(0.0, 0.0, 0.0, "design_hours")}, False),
        (
            {
                "output": Span(0.70, 0.72, 0.74),
                "forecast": ahead(50.0, 100.0, 150.0, "design_hours"),
            },
            True,
        ),
        ({}, False),
        ({"output": Span(None, None, None), "values": 0}, False),
        ({"output": Span(0.50, 0.52, 0.54), "measured": True}, False),
    ],
)
def test_before_the_output_asks_for_a_replacement_meters_are_held_on_it(changes, asked):
    told = advice(replace(HEALTHY, **changes))
    assert (MEASURE in told) is asked


def test_the_meters_are_asked_for_once():
    told = advice(replace(HEALTHY, output=Span(0.70, 0.72, 0.76), sensor_decides=True))
    assert sum("clamp" in words for words in told) == 1
    sound = advice(replace(HEALTHY, sensor_decides=True))
    assert sum("clamp" in words for words in sound) == 1
