"""Which days the bank is simulated over, and what is said of the limit."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.load.bank import Bank, Carried
from analysis.load.required_power import carried, days_of, limit_of

DAY_S = 86400.0


def load(**more):
    """Return a load of four known days: 10, 11, 14 and 18."""
    kind = {
        "ah_p95": 40.0,
        "voltage_v": 12.8,
        "daily_ah": np.array([20.0, 22.0, 30.0, 24.0]),
        "daily_s": DAY_S * np.array([10.0, 11.0, 14.0, 18.0]),
        "draw_ah": np.array([[20.0, 22.0, 30.0, 24.0], [21.0, 23.0, 31.0, 25.0]]),
        "other_s": DAY_S * np.array([9.0, 12.0, 16.0]),
        "help_h": np.array([1.0, 2.0, 3.0]),
        "help_ah": None,
        "gap_s": DAY_S * np.array([15.0]),
        "helped_ah": None,
        "pattern": np.array([0.05, 0.1, 0.1, 0.15, 0.15, 0.15, 0.2, 0.1]),
        "bank": SimpleNamespace(capacity_ah=200.0, chemistry="agm"),
        "start_ah": 60.0,
        "start_depth": 0.4,
        "relative_sd": 0.1,
    }
    return SimpleNamespace(**kind | more)


def test_a_day_without_a_known_load_gets_that_of_the_nearest():
    found = days_of(load())
    # From the 10th to the 18th without the silent 15th; between two the later one.
    nearest = [20.0, 22.0, 22.0, 30.0, 30.0, 24.0, 24.0, 24.0]
    assert found.load_ah[0].tolist() == nearest
    assert found.load_ah[1].tolist() == [ah + 1.0 for ah in nearest]
    # The bank starts again after the gap; the 9th lies before the first day.
    assert found.gap.tolist() == [False] * 5 + [True] + [False] * 2
    assert found.help_h.tolist() == [0.0, 0.0, 2.0, 0.0, 0.0, 3.0, 0.0, 0.0]
    assert found.help_ah is None
    told = days_of(load(help_ah=np.array([7.0, 8.0, 9.0])))
    assert told.help_ah.tolist() == [0.0, 0.0, 8.0, 0.0, 0.0, 9.0, 0.0, 0.0]
    assert found.pattern == pytest.approx([0.15, 0.25, 0.3, 0.3])
    # The draws' means of 24 and 25 Ah spread by 0.5 Ah: the rest of 0.1 is common.
    assert found.relative_sd == pytest.approx(math.sqrt(0.1**2 - (0.5 / 24.5) ** 2))
    assert days_of(load(pattern=None)).pattern.tolist() == [0.25] * 4


def test_one_known_day_is_simulated_alone():
    one = load(
        daily_s=DAY_S * np.array([10.0]), daily_ah=np.array([20.0]), draw_ah=np.array([[20.0]])
    )
    found = days_of(one)
    assert found.load_ah.tolist() == [[20.0]]
    assert found.gap.tolist() == [False]
    assert found.help_h.tolist() == [0.0]


@pytest.mark.parametrize("missing", ["ah_p95", "voltage_v", "bank"])
def test_without_load_voltage_or_bank_there_is_no_limit(missing):
    assert carried(load()) is not None
    assert carried(load(**{missing: None})) is None


def test_the_bank_that_is_simulated(monkeypatch):
    asked = []
    monkeypatch.setattr("analysis.load.required_power.live", lambda days, bank: asked.append(bank))
    carried(load(voltage_v=25.6))
    carried(load(bank=SimpleNamespace(capacity_ah=None, chemistry="gel"), start_ah=None))
    carried(load(bank=SimpleNamespace(capacity_ah=None, chemistry="gel")))
    # As labelled, of two blocks; else three mean days of 24 Ah, within exp(0.4), and twice that
    # where no cycle from full to a start is seen.
    assert asked[0] == Bank(200.0, 0.0, "agm", 2, 60.0, 0.4)
    assert asked[1] == Bank(72.0, 0.8, "gel", 1, None, 0.4)
    assert asked[2] == Bank(72.0, 0.4, "gel", 1, 60.0, 0.4)


def test_a_bank_of_two_blocks_and_one_without_a_label():
    one, two = carried(load()).mean_w, carried(load(voltage_v=25.6)).mean_w
    assert two == pytest.approx(2.0 * one)
    # The mean day of 23.5 Ah and 1 Ah about it, with the errors drawn, at 12.9 V.
    assert one == pytest.approx(12.9 * 25.0 / 24.0, rel=0.1)
    free = SimpleNamespace(capacity_ah=None, chemistry="agm")
    assert carried(load(bank=free)).mean_w == pytest.approx(one, rel=0.1)


def test_the_limit_is_the_middle_of_the_draws():
    # Short days vanish at 10, 20 and 40 W: the middle is 20. The ends of 90 % lie a tenth of the
    # way inside: 1.8 ln 2 apart.
    power = np.tile(np.array([[10.0], [20.0], [40.0]]), 3)
    short = np.array([[0.0, 0.2, 0.2], [0.0, 0.0, 0.2], [0.0, 0.0, 0.0]])
    short[short > 0.0] = 1e9  # so that the limit lies at the next power
    limit = limit_of(Carried(power, short, 15.0))
    assert limit.power_w == pytest.approx(20.0)
    assert limit.relative_sd == pytest.approx(1.8 * math.log(2.0) / (2.0 * 1.645), rel=1e-3)
