"""What was noted near a sudden change of the output is named with it."""

import pytest

from analysis.assessment.document import Step
from analysis.assessment.step_causes import NEAR_D, step_findings
from logger.event import PERSON_KINDS, Event
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
