"""Recordings that cannot be true, through whole commands: import, report, check --log, watch.

Each recording is a season of an independent boat (:mod:`tests.support.boats.seasons`) with one
thing wrong; what it truly gave stays known. What was wrong is told with what to do, on every
screen, and no interval leaves out the truth. ``check --log`` is asked here of some of them, in
``make soak`` of all; ``tests/analysis/inputs/test_every_code.py`` reads each finding there.
"""

import json
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
import pytest

from tests.conftest import LONG
from tests.support.boats.seasons import CONFIG, YEAR_S, Season, readings, sail, write_csv
from tests.support.empty import put_empty

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
USUAL = {"load_a": 2.6, "loss_per_kh": 0.03, "days": 80}


@dataclass
class Told:
    """What the commands said of one boat."""

    folder: object
    course: object
    imported: str
    document: dict
    run: object

    @cached_property
    def check(self):
        """Every finding, in check --log with what to do, and within 80 columns."""
        doubted = any(f["severity"] != "note" for f in self.document["inputs"])
        check = self.run("check", "--log", cwd=self.folder, status=int(doubted)).stdout
        words = "".join(check.split())
        for finding in self.document["inputs"]:
            assert f"] {finding['code']}" in check
            assert finding["what_to_do"]
            assert "".join(finding["what_to_do"].split()) in words
        assert max(map(len, check.splitlines())) <= 100
        return check

    @property
    def codes(self):
        return {f["code"]: f["severity"] for f in self.document["inputs"]}

    @property
    def doubts(self):
        return sorted(code for code, weight in self.codes.items() if weight != "note")

    def finding(self, code):
        return next(f for f in self.document["inputs"] if f["code"] == code)

    def holds_truth(self):
        output = self.document["output"]
        return output["low"] <= self.course.output[-1] <= output["high"]


@pytest.fixture
def told(tmp_path, run_ebbwatt):
    """Return a function that sails, imports the recording and asks the commands."""

    def ask(more="", change=None, imports=0, **what):
        boat = Season(**USUAL | what)
        course = sail(boat)
        columns, states = readings(boat, course)
        if change is not None:
            columns, states = change(columns, states)
        write_csv(tmp_path / "recording.csv", columns, states)
        text = CONFIG.format(rated_w=boat.rated_w, more="")
        (tmp_path / "ebbwatt.toml").write_text(more if "[charger]" in more else text + more)
        put_empty(tmp_path / "ebbwatt.db")
        done = run_ebbwatt("import", "recording.csv", cwd=tmp_path, status=imports, timeout=300)
        imported = done.stdout + done.stderr
        document = json.loads(run_ebbwatt("report", "--json", "-", cwd=tmp_path).stdout)
        found = Told(tmp_path, course, imported, document, run_ebbwatt)
        if LONG:
            assert found.check
        return found

    return ask


def stopped(t, code):
    """Check that nothing was concluded, with this reason first."""
    assert t.document["verdict"] == "undetermined"
    assert t.document["output"]["fraction"] is None
    assert t.document["inputs"][0]["code"] == code
    assert t.document["inputs"][0]["severity"] == "stop"
    assert t.document["reasons"][0]["code"] == code


def test_a_sound_boat_has_nothing_against_itself(told):
    t = told()
    assert t.document["inputs"] == []
    assert "Nothing in the log contradicts itself" in t.check
    assert t.holds_truth()


# --- the sensor of the current ---


def cases(*first, more):
    """Return the cases; of ``more``, which the tests of the inputs hold, in ``make soak`` alone."""
    return [*first, *more] if LONG else [*first]


@pytest.mark.parametrize("share", cases(0.0, more=[0.5]))
def test_a_larger_unit_on_the_configuration_of_a_smaller_one(told, share):
    t = told(exchange_at=share, exchange_rated_w=160.0)
    stopped(t, "above_rated")
    first = "a larger unit" if share == 0.0 else "the charger was exchanged for a larger one"
    assert first in t.finding("above_rated")["what_to_do"]


def test_a_zero_that_is_off_without_states(told):
    t = told(zero_a=0.45, states=False)
    assert t.doubts == ["current_zero"]
    assert "+0.45 A" in t.check
    assert t.holds_truth()
    assert t.document["verdict"] == "sound"
    assert t.document["observed"]["running_hours"] == pytest.approx(t.course.hours[-1], rel=0.03)


def test_a_zero_that_drifts_with_states(told, run_ebbwatt):
    t = told(zero_per_year_a=0.3, seasons=3, days=100, fuel=True, more="[fuel]\n")
    assert t.doubts == ["current_zero"]
    assert "drifts" in t.check
    assert t.document["steps"] == []
    assert t.holds_truth()
    fuel = json.loads(run_ebbwatt("fuel", "--json", cwd=t.folder).stdout)["l_per_kwh"]
    # The season burns 0.9 L/kWh at full output.
    true = 0.9 / t.course.output[-1]
    assert fuel["estimate"] == pytest.approx(true, rel=0.06)


@pytest.mark.parametrize(
    "wrong",
    cases({"reversed_sensor": True}, more=[{"current_is_power": True}, {"current_scale": 1000.0}]),
)
def test_a_current_of_the_wrong_sign_or_unit(told, wrong):
    t = told(**wrong)
    stopped(t, "current_missing")
    what = t.finding("current_missing")["what_to_do"]
    assert "the wrong way round" in what
    assert "milliampere" in what
    assert "refused" in t.imported.splitlines()[0] + t.imported.splitlines()[1]


# --- the charger ---


def test_exchanged_without_a_record(told):
    t = told(seasons=2, exchange_at=0.5, loss_per_kh=0.08, days=100)
    assert t.doubts == ["exchange_proposed"]
    assert "ebbwatt exchange --at 20" in " ".join(t.check.split())
    assert t.holds_truth()


def test_exchanged_without_a_record_for_one_that_gives_the_same(told):
    life = "design_life_h = 3000\n"
    more = CONFIG.format(rated_w=110, more="").replace("rated_w", life + "rated_w")
    t = told(more=more, seasons=2, exchange_at=0.5, exchange_new=0.97, loss_per_kh=0.02, days=100)
    assert t.doubts == []
    assert "nobody recorded why" in t.finding("counter_break")["text"]
    left = t.document["remaining"]["hours"]
    # By hand: 3000 h less those of the old unit and the new one, and less the new one's alone.
    old, new = 3000.0 - t.document["output"]["at_runtime_h"], 3000.0 - t.course.hours[-1]
    assert left["low"] <= 1.02 * old
    assert left["high"] is None or left["high"] >= 0.98 * new


# --- the counter ---


def test_a_logger_that_is_aboard_one_week_in_three(told):
    life = "design_life_h = 5000\n"
    more = CONFIG.format(rated_w=110, more="").replace("rated_w", life + "rated_w")
    t = told(more=more, seasons=2, days=140, aboard_weeks=(1, 3))
    assert t.document["inputs"] == []
    assert t.document["output"]["at_runtime_h"] == pytest.approx(t.course.hours[-1], rel=0.01)
    # By hand: the counter gained its hours in two seasons, so what is left of 5000 h lasts so many
    # years more; by the logged hours alone it would be three times as many.
    years = (5000.0 - t.course.hours[-1]) / (t.course.hours[-1] / 2.0)
    end_s = t.course.time_s[-1]
    date = datetime.fromisoformat(t.document["remaining"]["date"]["median"]).timestamp()
    assert t.document["remaining"]["until"] == "design_hours"
    assert 0.5 * years < (date - end_s) / YEAR_S < years + 1.0


def test_two_boats_in_one_log(told):
    def every_other_week(columns, states):
        week = ((columns["time"] - columns["time"][0]) // (7 * 86400.0)).astype(int)
        other = np.where(week % 2 == 1, 3500.0, 0.0)
        return columns | {"runtime_h": columns["runtime_h"] + other}, states

    stopped(told(change=every_other_week), "two_counters")


# --- place, season and other sources ---


def test_moved_to_a_mountain_lake(told, run_ebbwatt):
    t = told(lake_from=0.6)
    assert t.doubts == []
    assert "Find the cause before anything is replaced" in t.finding("output_step")["what_to_do"]
    assert "higher" in t.finding("output_step")["what_to_do"]
    assert t.document["verdict"] == "sound"
    # Most of the loss stands as a step, not as wear that goes on.
    slope = t.document["decline"]
    assert slope["low"] <= 0.03 <= slope["high"]


def test_a_step_that_calls_for_replacement_asks_for_its_cause_first(told, run_ebbwatt):
    t = told(lake_from=0.6, lake_output=0.55)
    assert t.document["verdict"] == "replace"
    screens = [
        run_ebbwatt("report", cwd=t.folder).stdout,
        run_ebbwatt("report", "--html", "-", cwd=t.folder).stdout,
    ]
    for screen in screens:
        said = " ".join(screen.split())
        assert "Before you order, in a steady run" in said
        # Where lines are short the data's own line asks for the cause.
        assert "replaced" not in said[: said.index("ind the cause")]
        assert "Do not rely on it for a passage." in said
    found = said.index("If the meters agree, find the cause of the sudden")
    assert found < said.index("It is not wear; if it stays, have it replaced")


def test_another_charge_profile_is_no_wear(told):
    t = told(ceiling_from=0.5)
    assert t.document["inputs"] == []
    assert t.holds_truth()


@pytest.mark.parametrize("declared", [True, False])
def test_solar_that_is_not_logged(told, run_ebbwatt, declared):
    table = '[[other_sources]]\nkind = "solar"\nwatts = 100\nfrom = 2023-06-09\n'
    t = told(ghost_a=6.0, ghost_from=0.5, days=120, more=table if declared else "")
    assert t.holds_truth()
    assert t.document["remaining"]["until"] != "load"
    assert t.document["verdict"] == "sound"
    load = json.loads(run_ebbwatt("load", "--json", cwd=t.folder).stdout)
    words = "solar of 100 W since 2023-06-09" if declared else "solar probably charges"
    assert any(words in doubt for doubt in load["doubts"])


def test_shore_power_that_is_declared_says_nothing_of_load_and_output(told, run_ebbwatt):
    days = frozenset(range(40, 70))
    table = '[[other_sources]]\nkind = "shore"\nfrom = 2023-05-20\nto = 2023-06-18\n'
    t = told(shore_days=days, more=table)
    assert t.document["inputs"] == []
    assert t.holds_truth()
    load = json.loads(run_ebbwatt("load", "--json", cwd=t.folder).stdout)
    assert load["days_left_out"]["other_source"] >= 30
    assert load["ah_per_day"]["low"] <= true_ah(t.course) <= load["ah_per_day"]["high"]


def true_ah(course):
    """Return the mean load of the days on which the charger alone charges, Ah a day."""
    load = course.current_a - course.net_a
    day = ((course.time_s - course.time_s[0]) // 86400.0).astype(int)
    alone = ~np.isin(day, np.arange(40, 70))
    return 24.0 * float(load[alone].mean())


@pytest.mark.parametrize("seed", cases(31, more=[32]))
def test_a_first_season_without_temperature(told, seed):
    t = told(
        temperature=False, heat_per_k=0.006, loss_per_kh=0.01, mean_c=14, swing_c=12, days=110,
        seed=seed,
    )  # fmt: skip
    assert t.holds_truth()
    slope = t.document["decline"]
    assert slope["low"] <= 0.01 <= slope["high"]
    assert "no_temperature" in {r["code"] for r in t.document["reasons"]}


def test_a_mountain_lake_in_a_first_season_without_temperature(told):
    t = told(temperature=False, lake_from=0.6, mean_c=14, swing_c=10, days=120)
    output = t.document["output"]
    # On the lake it gives 0.88 of what it gives at the sea; both are told.
    assert output["low"] <= 0.88 * t.course.output[-1] <= output["high"]
    assert "output_step" in t.codes or output["high"] - output["low"] > 0.1


def test_a_clock_that_is_an_hour_off(told):
    t = told(clock_off_days=frozenset(range(20, 40)))
    assert t.doubts == []
    assert t.holds_truth()
    slope = t.document["decline"]
    assert slope["low"] <= 0.03 <= slope["high"]


def test_kilowatt_hours_for_the_capacity_of_the_bank(told):
    more = CONFIG.format(rated_w=110, more="").replace("capacity_ah = 180", "capacity_ah = 2.3")
    t = told(more=more)
    assert t.doubts == ["capacity_too_small"]
    assert "kilowatt-hours" in t.finding("capacity_too_small")["text"]
    assert t.holds_truth()


# --- in make soak alone: tests/analysis/inputs asks the analysis the same of the like seasons ---

if LONG:

    def test_current_measured_at_the_battery(told):
        stopped(told(net_current=True), "net_current")

    def test_a_gain_that_drifts(told):
        t = told(gain_per_year=-0.05, seasons=3, days=110, loss_per_kh=0.005, load_a=2.4)
        assert t.doubts == ["gain_drift"]
        assert "clamp meter" in t.finding("gain_drift")["what_to_do"]
        assert t.holds_truth()
        assert t.document["verdict"] == "sound"

    def test_a_current_that_is_stuck(told):
        t = told(stuck_from=0.6)
        assert t.doubts == ["current_stuck"]
        assert t.holds_truth()

    def test_a_sensor_at_the_end_of_its_range(told):
        t = told(saturates_a=7.0)
        assert t.doubts == ["current_saturates"]
        assert t.document["output"]["fraction"] is None
        assert t.document["output"]["low"] < t.course.output[-1]

    @pytest.mark.parametrize(
        ("share", "tenths"), cases((0.3, "of 10 runs"), more=[(0.12, "of 100 runs")])
    )
    def test_a_fault_that_comes_and_goes(told, share, tenths):
        t = told(half_share=share, days=150, load_a=2.0)
        assert t.doubts == ["two_levels"]
        assert tenths in t.finding("two_levels")["text"]
        assert "Find the cause" in t.finding("two_levels")["what_to_do"]
        assert t.holds_truth()
        assert t.document["verdict"] == "sound"
        assert t.document["steps"] == []

    def test_turned_down_by_its_user(told):
        t = told(capped_from=0.6, days=150)
        assert t.doubts == ["flat_cap"]
        assert "60.0 W" in t.check
        assert t.holds_truth()
        assert t.document["verdict"] == "sound"
        assert t.document["steps"] == []

    def test_a_counter_of_the_hours_switched_on(told):
        t = told(counter_on_all_day=True, loss_per_kh=0.06, days=150)
        assert t.doubts == ["counter_switched_on"]
        slope = t.document["decline"]
        assert slope["low"] <= 0.06 <= slope["high"]
        assert t.document["output"]["at_runtime_h"] == pytest.approx(t.course.hours[-1], rel=0.03)
