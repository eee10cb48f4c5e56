"""Fuel: litres per kWh, what is left and how long it lasts, against a boat whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.history.history import STATE_CODE
from analysis.show.screen.fuel import lines
from analysis.sizing.candidates import Unit
from analysis.sizing.size import size, supply_wh
from logger.event import Event
from logger.reading import OperatingState
from tests.support.asked import fuel_outlook
from tests.support.boats.needs import need_of
from tests.support.boats.small_boat import START_S, SmallBoat, sail
from tests.support.configurations import config_for

DAY_S = 86400.0


@pytest.fixture(scope="module")
def voyage():
    """A boat that changes each container when the charger waits for fuel, and what is left."""
    history, truth = sail(
        SmallBoat(days=65, l_per_kwh=0.97, container_l=10.0, fading_l=0.05, refuel_h=2.0)
    )
    begins = [START_S, *truth.changes_s]
    events = tuple(Event(number, at, "fuel", 10.0) for number, at in enumerate(begins, 1))
    since = history.start_s >= truth.changes_s[-1]
    left = 10.0 - 0.97 * history.energy_j[since].sum() / 3.6e6
    return replace(history, events=events), truth, left


def test_containers_tell_the_use_and_what_is_left(voyage):
    history, _, left = voyage
    found = fuel_outlook(history, config_for())
    counted = found.use.counted
    assert len(counted) >= 3
    assert all(c.emptied for c in counted)
    assert found.l_per_kwh.low < 0.97 < found.l_per_kwh.high
    assert found.l_per_kwh.median == pytest.approx(0.97, rel=0.03)
    # Each is known to 2 %: five are no better than their mean, and no worse than one.
    assert len(counted) == 5
    assert 0.02 / np.sqrt(5.0) < found.use.sd < 0.02
    assert found.litres_left.low < left < found.litres_left.high


def test_report_and_fuel_state_one_energy_though_the_sensor_is_noisy(voyage):
    history, _, _ = voyage
    rest = history.energy_j == 0.0
    # Noise of 0.05 A, as its means of ten minutes show it.
    noise_a = np.where(rest, np.random.default_rng(5).normal(0.0, 0.05, len(history)), 0.0)
    charge_c = noise_a * history.duration_s
    noisy = replace(
        history,
        charge_c=history.charge_c + charge_c,
        energy_j=history.energy_j + charge_c * history.voltage_mean_v,
    )
    assert np.count_nonzero(charge_c) > 1000
    case = Case(noisy, config_for())
    said = case.assessment.energy_kwh
    assert fuel_outlook(noisy, config_for()).year.kwh == pytest.approx(said, rel=1e-9)
    assert said == pytest.approx(history.energy_j.sum() / 3.6e6, rel=1e-3)


def test_what_is_left_in_changed_containers_stays_in_the_interval(voyage):
    history, _, _ = voyage
    shifted = tuple(replace(e, time_s=e.time_s + 7200.0) for e in history.events)
    found = fuel_outlook(replace(history, events=shifted), config_for())
    assert not any(c.emptied for c in found.use.counted)
    # A twentieth is taken to be left, 2 % more or less: two standard deviations reach nothing left.
    assert found.use.quantile(-2.0) < 0.97 < found.use.quantile(2.0)


def test_days_left_follow_from_litres_and_use(voyage):
    history, truth, left = voyage
    found = fuel_outlook(history, config_for())
    days = left / (0.97 * truth.energy_kwh[-30:].mean())
    assert found.days_left.low - 1 <= days <= found.days_left.high + 1
    more = fuel_outlook(history, config_for(), spare_l=20.0)
    assert more.days_left.median > found.days_left.median + 15


def test_a_passage_needs_its_days_times_the_use(voyage):
    history, truth, _ = voyage
    found = fuel_outlook(history, config_for(), passage_days=21)
    expected = 21 * 0.97 * truth.energy_kwh.mean()
    assert found.passage.litres.low < expected < found.passage.litres.high
    assert found.passage.containers == int(np.ceil(found.passage.litres.high / 10.0))


def test_worked_example_of_sizing():
    # Worked example, steps after IEEE 1013, factors common practice: 60 Ah a day on lead-acid is
    # 70.6 Ah to supply, 0.93 kWh at 13.2 V, 0.84 L a day at 0.9 L/kWh, and 10 L last 11.9 days.
    supplied = supply_wh(np.full(30, 60.0), 0.85, 1)
    assert supplied[0] / 13.2 == pytest.approx(70.6, abs=0.05)
    assert supplied[0] == pytest.approx(930, abs=5)
    one_day = need_of(np.full(30, 60.0), days=1.0)
    unit = Unit("50 W", 50.0, 0.9, 7500.0)
    (judged,) = size(one_day, (unit,), end_fraction=1.0).judged
    assert judged.litres_per_year == pytest.approx(0.84, abs=0.005)
    assert 10.0 / judged.litres_per_year == pytest.approx(11.9, abs=0.05)


def test_steady_days_empty_a_container_when_the_worked_example_says():
    # The same example through the log: 0.93 kWh a day at 0.9 L/kWh, 10 L last 11.9 days.
    history, _ = sail(SmallBoat(days=40))
    # All of it in the first four hours of each day: a current that never changes would be taken
    # for an error of the meter's zero.
    since_s = history.start_s - START_S
    length_s = np.where(since_s % DAY_S < 4 * 3600.0, history.duration_s, 0.0)
    day = (since_s // DAY_S).astype(np.intp)
    share = length_s / np.bincount(day, length_s)[day]
    states = STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
    steady = replace(
        history,
        energy_j=0.93 * 3.6e6 * share,
        charge_c=0.93 * 3.6e6 * share / 13.2,
        state=np.where(share > 0.0, *states).astype(np.int8),
    )
    full = replace(steady, events=(Event(1, float(history.end_s[-1]) - 60.0, "fuel", 10.0),))
    found = fuel_outlook(full, config_for())
    assert found.kwh_per_day == pytest.approx(0.93, rel=1e-3)
    assert found.days_left.median in {11.0, 12.0}  # whole days: half of the draws last 11.9
    assert found.litres_left.median == pytest.approx(10.0, abs=0.1)
    assert found.litres_per_year.median == pytest.approx(0.93 * 0.9 * 365.25, rel=0.02)
    assert found.containers_per_year.median == pytest.approx(0.93 * 0.9 * 36.525, rel=0.02)


def test_warm_fuel_holds_less_in_a_litre(voyage):
    history, _, _ = voyage
    cool = fuel_outlook(history, config_for(), passage_days=21)
    warm = fuel_outlook(history, config_for(), passage_days=21, temperature_c=40.0)
    # Density by the IUPAC tables for methanol (de Reuck & Craven 1993): 791.01 and 772.17 kg/m3.
    ratio = warm.passage.litres.median / cool.passage.litres.median
    assert ratio == pytest.approx(791.01 / 772.17, rel=1e-3)
    # Every figure in litres follows; what a kWh makes of the fuel's mass does not.
    for name in ("l_per_kwh", "litres_per_year"):
        ends = (vars_of(warm, name), vars_of(cool, name))
        assert [a / b for a, b in zip(*ends, strict=True)] == pytest.approx([ratio] * 3, rel=1e-3)
    assert warm.document()["per_kwh"] == pytest.approx(cool.document()["per_kwh"], rel=1e-3)
    assert warm.document()["closed_space"]["air_m3_per_h"] == pytest.approx(
        cool.document()["closed_space"]["air_m3_per_h"], rel=1e-2
    )


def vars_of(found, name):
    span = getattr(found, name)
    return span.low, span.median, span.high


def test_without_changes_the_prior_stands_and_litres_are_unknown():
    history, _ = sail(SmallBoat(days=65))
    found = fuel_outlook(history, config_for())
    document = found.document()
    # The unit gives 0.9 of rated: 0.9 L of a new one over that.
    per_kwh = document["l_per_kwh"]["estimate"]
    assert per_kwh == pytest.approx(0.9 / 0.9, rel=0.08)
    assert document["litres_left"]["median"] is None
    assert "event add fuel" in document["withheld"]["litres_left"]
    a_year = per_kwh * 365.25 * document["kwh_per_day"] / 10.0
    assert document["containers_per_year"]["median"] == pytest.approx(a_year, rel=0.1)


def test_the_first_container_of_a_worn_unit_counts():
    # At 0.55 of rated it uses 0.9 / 0.55 = 1.64 L/kWh, 1.8 times the figure of a new one.
    history, truth = sail(
        SmallBoat(
            days=40,
            available=0.55,
            l_per_kwh=1.64,
            container_l=10.0,
            base_a=1.5,
            refuel_h=2,
            holds_power=True,
        )
    )
    alone = fuel_outlook(history, config_for())
    assert alone.use.containers == ()
    assert alone.l_per_kwh.median == pytest.approx(1.64, rel=0.05)
    at = truth.changes_s[:2]
    events = tuple(Event(number, time_s, "fuel", 10.0) for number, time_s in enumerate(at, 1))
    found = fuel_outlook(replace(history, events=events), config_for())
    assert len(found.use.counted) == 1
    assert found.l_per_kwh.low < 1.64 < found.l_per_kwh.high
    assert found.use.sd < 0.06 < alone.use.sd


def test_a_silence_of_the_log_is_not_taken_for_fuel_that_gave_nothing(voyage):
    history, _, _ = voyage
    uncounted = replace(history, runtime_h=np.full(len(history), np.nan))
    whole = fuel_outlook(uncounted, config_for()).use.containers[0]
    middle, length = 0.5 * (whole.begin_s + whole.end_s), whole.end_s - whole.begin_s

    def after_silence(share):
        lost = np.abs(history.start_s - middle) < 0.5 * share * length
        return fuel_outlook(uncounted.select(~lost), config_for()).use.containers[0]

    short, long = after_silence(0.08), after_silence(0.3)
    assert short.problem is None
    assert short.l_per_kwh == pytest.approx(whole.l_per_kwh, rel=0.06)
    assert short.sd > whole.sd
    assert "not logged" in long.problem


def test_struck_forgotten_and_impossible_changes_do_not_count(voyage):
    history, _, _ = voyage
    events = list(history.events)
    missing = replace(history, events=(events[0], *events[2:]))
    found = fuel_outlook(missing, config_for())
    assert "forgotten" in found.use.containers[0].problem
    screen = " ".join(" ".join(lines(found, None, 80)).split())
    value = found.use.containers[0].l_per_kwh
    assert (
        f"Left out: 1 container, because {value:.2f} L/kWh cannot be right: a change was forgotten "
        "or is wrong. In brackets: 90 % interval."
    ) in screen
    struck = replace(events[1], struck=True)
    again = fuel_outlook(replace(history, events=(events[0], struck, *events[2:])), config_for())
    assert again.use.containers == found.use.containers
    only = fuel_outlook(replace(history, events=(events[0],)), config_for())
    assert only.litres_left.median is None
    assert "was not recorded" in only.withheld["litres_left"]


def test_too_short_a_log_says_how_many_days_more(voyage):
    history, _, _ = voyage
    short = history.select(history.start_s < START_S + 5 * DAY_S)
    found = fuel_outlook(short, config_for())
    assert found.days_left.median is None
    assert found.withheld["days_left"] == "it takes 14 whole days, and the log has 5 so far"


@pytest.mark.parametrize("width", [60, 80])
def test_one_screen_with_its_caution(voyage, width):
    history, _, _ = voyage
    text = lines(fuel_outlook(history, config_for(), passage_days=21), None, width)
    whole = " ".join("\n".join(text).split())
    assert len(text) <= 24
    assert max(len(line) for line in text) <= width
    assert whole.isascii()
    assert "CAUTION" in whole
    assert "5000 ppm of carbon dioxide" in whole


def test_the_air_of_closed_spaces_stands_beside_the_fuel():
    history, _ = sail(SmallBoat(days=20))
    found = fuel_outlook(history, config_for())
    space = found.document()["closed_space"]
    # 98 g/h of carbon dioxide at 100 W and 0.9 L/kWh need 11.9 m3/h of outside air to stay below
    # 5000 ppm (NIOSH REL, OSHA PEL; 420 ppm outside).
    air = space["air_m3_per_h"] * 100.0 / 110.0 * 0.9 / found.use.estimate
    assert air == pytest.approx(11.9, abs=0.05)
    # Q = 0.05 n I C / 1000 with 8 mA/Ah for sealed cells on boost (EN/IEC 62485-2).
    assert space["battery_air_m3_per_h"] == pytest.approx(0.05 * 6 * 8.0 * 200.0 / 1000.0)
    per_kwh = found.document()["per_kwh"]
    # Stoichiometry of 0.9 L/kWh at 20 degC, de Reuck & Craven (1993) for the density.
    more = found.use.estimate / 0.9
    assert per_kwh["efficiency_lhv"] * more == pytest.approx(0.254, abs=5e-4)
    assert per_kwh["co2_g"] / more == pytest.approx(978, abs=1)
    assert per_kwh["water_g"] / more == pytest.approx(801, abs=1)


def test_a_part_of_a_year_without_a_run_tells_nothing_of_a_year(voyage):
    """A charger that did not run in three weeks may run all summer: no "0 (0 to 0)"."""
    history, _, _ = voyage
    part = history.select(history.start_s < START_S + 21 * DAY_S)
    still = replace(part, state=np.zeros_like(part.state), charge_c=0.0 * part.charge_c,
                    energy_j=0.0 * part.energy_j)  # fmt: skip
    found = fuel_outlook(still, config_for())
    assert found.containers_per_year.median is None
    assert found.withheld["containers_per_year"] == "the charger did not run"
    ran = fuel_outlook(part, config_for())
    assert ran.containers_per_year.median > 0.0
    screen = " ".join(" ".join(lines(ran, None, 80)).split())
    assert "in only 21 days to 2023-12-06, as if the whole year were alike" in screen
    assert "were alike" not in " ".join(" ".join(lines(found, None, 80)).split())


def test_a_container_noted_just_now_counts_before_the_log_is_written_again(voyage):
    """While the charger rests the log is written every 20 minutes: who changed it asks at once."""
    history, _, _ = voyage
    now = Event(999, float(history.end_s[-1]) + 900.0, "fuel", 10.0)
    found = fuel_outlook(replace(history, events=(*history.events, now)), config_for())
    # Full, within the 2 % by which filling differs: 10 -+ 1.645 x 0.2 L.
    assert found.litres_left.median == pytest.approx(10.0, abs=0.02)
    assert found.litres_left.low == pytest.approx(9.67, abs=0.03)
