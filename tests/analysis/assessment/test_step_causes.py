"""What was noted near a sudden change of the output is named with it."""

from datetime import date

import pytest

from analysis.assessment.document import Step
from analysis.assessment.step_causes import GAIN, LOSS, NEAR_D, step_findings
from logger.event import PERSON_KINDS, Event
from logger.other_sources import OtherSource
from tests.support.screens.scenes import DAY_S, at

AT_S = at(2024, 6, 15)
STEP = Step(1200.0, AT_S, -0.08, -0.10, -0.06)


@pytest.mark.parametrize("kind", [k for k in PERSON_KINDS if k != "reading"])
def test_an_event_of_a_person_near_the_step_is_named(kind):
    # A reading of a clamp meter changes nothing at the charger.
    near = Event(1, AT_S - 3 * DAY_S, kind, 10.0 if kind == "fuel" else None, "x")
    (found,) = step_findings([STEP], [near], [])
    assert found.text.endswith(f"Noted near it: {kind} on 2024-06-12.")


@pytest.mark.parametrize(
    "event",
    [
        Event(1, AT_S - (NEAR_D + 1) * DAY_S, "fuel", 10.0),
        Event(1, AT_S, "fuel", 10.0, struck=True),
        Event(1, AT_S, "power_cut"),
    ],
)
def test_what_is_far_struck_or_the_loggers_own_is_not_named(event):
    (found,) = step_findings([STEP], [event], [])
    assert "Noted near it" not in found.text


@pytest.mark.parametrize(
    ("source", "named"),
    [
        (OtherSource("solar", date(2024, 6, 12)), True),
        (OtherSource("shore", date(2023, 1, 1), date(2024, 6, 12)), True),
        # It came long before and went long after: nothing about it changed near the step.
        (OtherSource("solar", date(2023, 1, 1)), False),
        (OtherSource("shore", date(2023, 1, 1), date(2025, 1, 1)), False),
        (OtherSource("shore", date(2024, 1, 1), date(2024, 2, 1)), False),
    ],
)
def test_another_source_that_came_or_went_near_the_step_is_named(source, named):
    (found,) = step_findings([STEP], [], [source])
    assert found.text.endswith(f"Noted near it: {source} ([[other_sources]]).") == named
    assert ("Noted near it" in found.text) == named


@pytest.mark.parametrize(("change", "word", "size"), [(-0.08, "fell", "-8"), (0.08, "rose", "+8")])
def test_which_way_it_went_is_told(change, word, size):
    (found,) = step_findings([Step(1200.0, AT_S, change, change - 0.02, change + 0.02)], [], [])
    assert f"The output {word} suddenly by 8 % of rated at 1200 h, about 2024-06-15" in found.text
    assert found.seen.startswith(f"{size} % of rated")


def test_a_fortnight_is_near():
    for away, named in ((14.0, True), (-14.0, True), (14.01, False), (-14.01, False)):
        event = Event(1, AT_S + away * DAY_S, "fuel", 10.0)
        (found,) = step_findings([STEP], [event], [])
        assert ("Noted near it" in found.text) is named
        # What was noted is its likely cause: nobody is asked to look for another.
        assert found.asks is not named


def test_no_more_than_three_are_named():
    events = [Event(k, AT_S - k * DAY_S, "note", None, "x") for k in range(5)]
    (found,) = step_findings([STEP], events, [OtherSource("solar", date(2024, 6, 12))])
    assert found.text.count("note on") == 3
    assert "solar" not in found.text


def test_the_figures_of_a_change():
    loss, gain = step_findings([STEP, Step(1300.0, AT_S, 0.051, 0.02, 0.082)], [], [])
    assert loss.seen == "-8 % of rated (-10 to -6)"
    assert gain.seen == "+5 % of rated (+2 to +8)"
    assert (loss.what_to_do, gain.what_to_do) == (LOSS, GAIN)
    assert (loss.since_s, loss.expected) == (AT_S, "an output that changes slowly")
