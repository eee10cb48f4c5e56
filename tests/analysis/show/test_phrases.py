"""What to do next: never "nothing" beside a cause to be found, and nothing twice."""

from dataclasses import replace

import pytest

from analysis.assessment.document import Verdict
from analysis.estimate import Span
from analysis.inputs.finding import Finding, Severity
from analysis.inputs.meters import MEASURE
from analysis.show.phrases import (
    MORE,
    NOTHING_TO_DO,
    actions,
    first_limits,
    kept_short,
    next_actions,
    other_limits,
    remaining_sentence,
    whole_sentences,
)
from tests.support.screens import scenes


def finding(severity, what_to_do, code="output_step", *, asks=True):
    return Finding(code, severity, None, "Seen.", what_to_do, "1", "2", asks=asks)


def said(verdict, *inputs):
    return next_actions(replace(scenes.assessment(), verdict=verdict, inputs=inputs, steps=()))


def test_a_note_that_asks_for_a_cause_is_something_to_do():
    told = said(Verdict.SOUND, finding(Severity.NOTE, "Find the cause."))
    assert told[0] == "Find the cause."
    assert NOTHING_TO_DO not in told
    assert "The output itself calls for nothing; look again after that." in told


def test_a_note_whose_cause_was_noted_asks_for_nothing():
    assert said(Verdict.SOUND, finding(Severity.NOTE, "Find it.", asks=False))[0] == NOTHING_TO_DO


def test_what_two_findings_ask_for_is_said_once():
    both = (finding(Severity.NOTE, "Record it."), finding(Severity.NOTE, "Record it."))
    assert said(Verdict.SOUND, *both).count("Record it.") == 1


@pytest.mark.parametrize(
    ("severity", "then"),
    [
        (Severity.STOP, "Do not decide by this report: mend the data first."),
        (Severity.DOUBT, "Do not decide by this report alone; log more first."),
    ],
)
def test_before_more_is_logged_the_data_are_mended(severity, then):
    told = said(Verdict.UNDETERMINED, finding(severity, "Mend the sensor.", asks=False))
    assert told[:2] == ["Mend the sensor.", then]


OWN = {
    Verdict.PLAN: "If the meters agree, plan the replacement now.",
    Verdict.REPLACE: "Do not rely on it for a passage. If the meters agree, have it replaced.",
}


@pytest.mark.parametrize("verdict", OWN)
def test_before_anybody_orders_the_output_is_measured(verdict):
    told = said(verdict)
    assert told[:2] == [f"{MEASURE}.", OWN[verdict]]
    assert sum(words.startswith(MEASURE) for words in told) == 1


@pytest.mark.parametrize("verdict", OWN)
@pytest.mark.parametrize("code", ["gain_drift", "voltage_drop"])
def test_meters_that_a_finding_asks_for_too_are_asked_for_once(verdict, code):
    doubt = finding(Severity.DOUBT, "Hold a clamp meter on it.", code)
    assert said(verdict, doubt)[:2] == [f"{MEASURE}.", OWN[verdict]]
    assert "Hold a clamp meter on it." not in said(verdict, doubt)
    measured = replace(scenes.assessment(), verdict=verdict, inputs=(doubt,), advice=())
    assert next_actions(measured)[:2] == [
        "Hold a clamp meter on it.",
        OWN[verdict],
    ]


@pytest.mark.parametrize("verdict", OWN)
def test_what_was_measured_is_replaced_without_further_ado(verdict):
    told = next_actions(replace(scenes.assessment(), verdict=verdict, advice=()))
    assert told[0].startswith(("Plan the replacement now", "Have the charger replaced"))


def test_a_unit_that_was_weak_from_its_first_day_is_checked_before_it_is_replaced():
    weak = finding(Severity.DOUBT, "Check rated_w.", "weak_from_new")
    due = replace(scenes.assessment(), verdict=Verdict.REPLACE, inputs=(weak,), steps=())
    measure, check, *_ = actions(due)
    assert (measure.text, measure.who) == (f"{MEASURE}.", "technician")
    assert "If the meters agree, check rated_w and the guarantee" in check.text
    assert "have it replaced" in check.text
    first = actions(replace(due, advice=()))[0]
    assert first.text.startswith("First check rated_w, the current sensor and the guarantee")
    assert "have the charger replaced" in first.text


def test_the_cause_of_a_sudden_loss_is_looked_for_when_the_meters_confirm_it():
    lost = scenes.replacement_due()
    assert lost.steps
    told = next_actions(replace(lost, advice=(MEASURE,)))
    assert told[0] == f"{MEASURE}."
    assert "If the meters agree, find the cause of the sudden -11 %" in told[1]
    assert told[1].startswith("Do not rely on it for a passage.")
    first = next_actions(replace(lost, advice=()))[0]
    assert first.startswith("First find the cause of the sudden -11 %")


def test_a_long_action_ends_with_a_whole_sentence():
    text = (
        "Hold a meter on it. If it shows a current, look for its sensor. If not, look for a cause."
    )
    assert kept_short(text, 300) == text
    assert kept_short(text, 80) == f"Hold a meter on it. {MORE}"
    assert kept_short("x" * 90, 80).endswith("...")
    assert whole_sentences(text, 40, "") == "Hold a meter on it."
    assert whole_sentences(text, 10, "") == ""


CHANCES = {"output": 0.5, "load": 0.38, "design_hours": 0.12}


def test_another_limit_that_may_come_first_is_named_with_its_chance():
    a = replace(scenes.assessment(), first=CHANCES)
    words = (
        "Another limit may come first: this boat's load (chance 38 %) or the design hours "
        "(chance 12 %)."
    )
    assert other_limits(a) == words
    assert first_limits(a) == (
        "The first limit is most likely the replacement limit, else this boat's load (chance 38 %) "
        "or the design hours (chance 12 %)."
    )
    assert remaining_sentence(a).endswith(f"; 90 % confidence. {words}")
    may = replace(a, remaining_h=Span(0.0, 0.0, 400.0))
    assert remaining_sentence(may).endswith(words)
    seldom = replace(a, first={"output": 0.79, "load": 0.12, "design_hours": 0.09})
    assert "load (chance 12 %)." in other_limits(seldom)
    assert "design" not in other_limits(seldom)


@pytest.mark.parametrize(
    "changes",
    [
        {"first": {"output": 0.8, "load": 0.2, "design_hours": 0.0}},
        {"first": {}},
        {"until": None, "first": CHANCES},
        {"first": CHANCES, "remaining_h": Span()},
        {"first": CHANCES, "remaining_h": Span(0.0, 0.0, 0.0)},
    ],
)
def test_where_the_first_limit_is_sure_or_not_told_no_other_is_named(changes):
    a = replace(scenes.assessment(), **changes)
    assert other_limits(a) == first_limits(a) == ""
    assert "may come first" not in remaining_sentence(a)
