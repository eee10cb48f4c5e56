"""The rows of passages and dates count what they say."""

from dataclasses import replace

import pytest

from analysis.study.ahead.dates import DateOutcome
from analysis.study.ahead.passage import PassageOutcome, used_on_passage
from analysis.study.ahead.passage_table import date_rows, passage_rows
from analysis.study.boats import simulate
from analysis.study.population import population
from analysis.study.scores import Said


def test_rows_count_hits_and_errors():
    hit, miss = Said(28.0, 32.0, 36.0, 30.0), Said(28.0, 32.0, 36.0, 40.0)
    sent = [PassageOutcome(str(k), hit, False, hit) for k in range(9)]
    sent += [PassageOutcome("miss", miss, True, None), PassageOutcome("none", None, False, None)]
    held, error, year = passage_rows(sent)
    assert held.reached.startswith("90.0 %")
    assert held.boats == 10
    # |32 / 30 - 1| is 6.7 %, nine times out of ten, and nine of nine for the year.
    assert error.reached == year.reached == "6.67"
    assert error.met
    assert not year.met, "5 % are asked for"
    (days,) = date_rows([DateOutcome("a", hit, hit), DateOutcome("b", hit, None)])
    assert days.boats == 1


def test_a_boat_under_way_uses_more_than_the_mean_of_her_days():
    boat = next(b for b in population(10, 5) if b.config().fuel is not None)
    boat = replace(boat, until_h=boat.model.charger.hours_before + 60.0)
    _, truth = simulate(boat)
    used = used_on_passage(boat, truth)
    battery = boat.model.battery
    cell_v = 3.3 if battery.chemistry == "lfp" else 2.1
    loads = boat.model.habits.under_way_a * battery.cells * cell_v * 24.0 / 1000.0
    # By hand: load times days times litres per kWh, and what the battery keeps for itself, at most
    # a quarter more; the charger may be too small to keep up. No day is lost for want of fuel.
    by_hand = 21.0 * loads * truth.l_per_kwh
    assert 0.85 * by_hand < used < 1.25 * by_hand
    assert used == pytest.approx(used_on_passage(boat, truth)), "the same boat, the same passage"
