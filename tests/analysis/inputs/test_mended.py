"""A log that lost a part of itself says so before anything else; a lost minute is no news."""

import pytest

from analysis.inputs.finding import Severity
from analysis.inputs.mended import mended_findings
from logger.event import Event

TEXT = "87466 intervals were recovered, about 268443 are lost from 2023-04-02 on"


@pytest.mark.parametrize(("lost", "told"), [(268_443.0, True), (80.0, False), (None, False)])
def test_only_a_loss_that_matters_is_a_finding(lost, told):
    found = mended_findings([Event(1, 1.7e9, "store_damaged", lost, TEXT)], 87_466)
    assert bool(found) is told
    if told:
        assert found[0].severity is Severity.DOUBT
        assert TEXT in found[0].text
        # By hand: 87,466 + 268,443.
        assert found[0].expected == "about 355909 intervals"


def test_a_struck_event_is_none():
    event = Event(1, 1.7e9, "store_damaged", 5000.0, TEXT, struck=True)
    assert mended_findings([event], 1000) == []
