"""What the unit's own manual says: blanks where it is not known, and the log held against it."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.installation.checklist import ITEMS
from analysis.installation.manual_limits import WORDS, against_log, figures_of
from logger.config import UnitConfig, load_config
from logger.errors import ConfigError
from logger.sections import UNIT
from tests.support.boats.charger_stops import Stops, condensed

RATED_A = 110.0 / 12.0


def log_of(temperatures_c, each_s):
    """Return a log of equally long intervals with these compartment temperatures."""
    whole = condensed(Stops(count=3))
    history = whole.select(np.arange(len(whole)) < len(temperatures_c))
    assert len(history) == len(temperatures_c)
    return replace(
        history,
        temperature_c=np.array(temperatures_c, dtype=float),
        duration_s=np.full(len(history), each_s),
    )


def load_text(folder, text):
    path = folder / "ebbwatt.toml"
    path.write_text(text)
    return load_config(path)


def test_every_key_of_the_manual_belongs_to_one_item_of_the_list():
    named = [key for item in ITEMS for key in item.from_manual]
    assert sorted(named) == sorted(WORDS) == sorted(setting.key for setting in UNIT.settings)


def test_a_figure_that_is_not_given_is_a_blank_for_the_pen():
    place = next(item for item in ITEMS if item.key == "place")
    assert figures_of(place, UnitConfig()) == (
        "by its manual: greatest tilt ____ deg, free space ____ cm"
    )
    assert figures_of(place, UnitConfig(heel_deg=12.5, clearance_cm=8.0)) == (
        "by its manual: greatest tilt 12.5 deg, free space 8 cm"
    )
    assert figures_of(ITEMS[0], UnitConfig()) == ""


def test_hours_above_the_manuals_intake_are_counted():
    # By hand: 3 of 10 intervals of an hour at 50 degC are 3 h above a limit of 45 degC.
    history = log_of([50.0] * 3 + [40.0] * 7, 3600.0)
    (told,) = against_log(UnitConfig(intake_c=45.0), history, RATED_A)
    assert "for 3 h, 50 degC at most" in told
    assert against_log(UnitConfig(intake_c=50.0), history, RATED_A) == []
    unknown = replace(history, temperature_c=np.full(10, np.nan))
    assert against_log(UnitConfig(intake_c=45.0), unknown, RATED_A) == []


@pytest.mark.parametrize(("fuse_a", "said"), [(5.0, 1), (9.0, 1), (9.5, 0), (20.0, 0)])
def test_a_fuse_below_the_rated_current_is_told(fuse_a, said):
    # 110 W at 12 V are 9.17 A.
    told = against_log(UnitConfig(fuse_a=fuse_a), log_of([40.0] * 3, 60.0), RATED_A)
    assert len(told) == said


def test_wrong_keys_are_answered_with_line_and_accepted_values(tmp_path):
    with pytest.raises(ConfigError, match=r"line 4.*heel_degrees.*heel_deg"):
        load_text(tmp_path, "[charger]\nrated_w = 110\n[unit]\nheel_degrees = 20\n")
    with pytest.raises(ConfigError, match=r"line 4.*fuse_a.*0\.5 to 1000"):
        load_text(tmp_path, "[charger]\nrated_w = 110\n[unit]\nfuse_a = 0\n")
