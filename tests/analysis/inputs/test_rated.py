"""Output above rated, and a current that is not the charger's: no verdict, and what to look for."""

import pytest

from analysis.inputs.finding import Severity
from tests.support.findings import assessed, found


def stopped(season, code):
    """Check that nothing is concluded, with the reason first; return the finding."""
    a = assessed(season)
    finding = found(a, code)
    assert finding.severity is Severity.STOP
    assert a.inputs[0].severity is Severity.STOP
    assert a.verdict == "undetermined"
    assert a.reasons[0].code == a.inputs[0].code
    assert a.output.median is None
    assert a.remaining_h.low is None
    return finding


@pytest.mark.parametrize("states", [True, False])
def test_current_measured_at_the_battery(season, states):
    finding = stopped(season(net_current=True, states=states, days=60), "net_current")
    assert "battery_current_a" in finding.what_to_do


@pytest.mark.parametrize("rated_w", [135.0, 160.0])
def test_a_larger_unit_from_the_beginning(season, rated_w):
    finding = stopped(season(exchange_at=0.0, exchange_rated_w=rated_w, days=60), "above_rated")
    assert finding.what_to_do.startswith("Look for, in this order: a larger unit")
    # A held current of 110 W at 12 V is 132 W at 14.4 V: 120 %.
    assert ("holds its current" in finding.what_to_do) == (rated_w == 135.0)


def test_an_exchange_for_a_larger_unit_is_proposed_with_its_date(season):
    sailed = season(seasons=2, days=60, exchange_at=0.5, exchange_rated_w=160.0)
    finding = stopped(sailed, "above_rated")
    assert "exchanged for a larger one" in finding.what_to_do
    assert "2024-04" in finding.text


@pytest.mark.parametrize(
    "wrong",
    [{"reversed_sensor": True}, {"current_is_power": True}, {"current_scale": 1000.0}],
    ids=["reversed", "watts", "milliampere"],
)
def test_a_current_that_was_refused_as_impossible(season, wrong):
    a = assessed(season(days=60, **wrong))
    assert a.verdict == "undetermined"
    assert a.inputs[0].code in {"current_missing", "net_current"}
    assert a.inputs[0].severity is Severity.STOP


def test_a_charger_at_its_nameplate_is_not_above_it(season):
    assert not assessed(season(days=60, new=1.08, mean_c=5.0)).inputs
