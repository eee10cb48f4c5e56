"""A temperature that stands still while the charger warms up beside it is left out."""

import numpy as np
import pytest

from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_temperature_that_is_stuck_is_left_out(season, share):
    sailed = season(temperature_stuck_from=share, heat_per_k=0.003, days=100, loss_per_kh=0.02)
    a = assessed(sailed)
    assert doubts(a) == ["temperature_stuck"]
    days = (1.0 - share) * 100.0
    told = float(found(a, "temperature_stuck").seen.split(" for ")[1].split()[0])
    assert told == pytest.approx(days, abs=2.0)
    assert holds_truth(a, sailed[2])


def test_whole_degrees_of_a_steady_autumn_are_not_stuck(season):
    history, config, course = season(days=100, swing_c=1.0)
    rounded = np.round(history.temperature_c)
    coarse = history.__class__(
        **{name: getattr(history, name) for name in history.__slots__} | {"temperature_c": rounded}
    )
    assert doubts(assessed((coarse, config, course))) == []
