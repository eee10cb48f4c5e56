"""A recording whose time the log holds already is held against it before it is left alone."""

import numpy as np
import pytest

from analysis.transfer.import_readings import Importer
from analysis.transfer.import_verdict import trouble
from logger.config import load_config
from tests.support.configurations import AFT_LOCKER
from tests.support.empty import put_empty

BEGIN_S, STEP_S = 1_750_000_000, 60


@pytest.fixture
def taken(tmp_path):
    """Return a function that imports 60 h of a charger that runs 6 h and rests 6 h in turn."""
    path = tmp_path / "ebbwatt.toml"
    path.write_text(AFT_LOCKER)
    config = load_config(path)
    put_empty(config.store.path)

    def take(begun_h=0.0, more_v=0.0, until_h=60.0):
        hours = np.arange(0.0, until_h, STEP_S / 3600.0)
        volts = np.where((hours + begun_h) % 12.0 < 6.0, 13.4, 12.4) + more_v
        file = tmp_path / f"{begun_h}-{more_v}.csv"
        rows = [
            f"{BEGIN_S + 3600.0 * h:.0f},{v:.2f},1.0" for h, v in zip(hours, volts, strict=True)
        ]
        file.write_text("\n".join(["time,voltage_v,current_a", *rows]) + "\n")
        importer = Importer(config)
        result = importer.take(file)
        importer.finish()
        return result, " ".join(trouble(result, config.plausible))

    return take


def test_a_season_with_the_dates_of_another_is_not_lost_in_silence(taken):
    assert "another voltage" not in taken()[1]
    result, words = taken(begun_h=4.0)
    assert result.compared > 50
    assert result.differ / result.compared == pytest.approx(8.0 / 12.0, abs=0.1)
    assert "have another voltage than the log" in words
    assert "none of them came in" in words
    assert "other readings" not in words
    # What the log had no reading of came in, of the other charger perhaps.
    result, words = taken(begun_h=4.0, until_h=80.0)
    assert result.readings == 1200
    assert "Its 1,200 other readings came in: take them back first" in words
    assert "'ebbwatt import --undo'" in words


def test_the_same_recording_and_that_of_another_voltmeter_are_left_alone(taken):
    taken()
    for more_v in (0.0, 0.15, -0.15):
        result, words = taken(more_v=more_v)
        assert (result.compared > 50, result.differ, words) == (True, 0, "")
