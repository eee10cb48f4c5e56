"""Figures of `ebbwatt size`, computed by hand from what `ebbwatt export` writes."""

import json
import re

import numpy as np
import pytest

from tests.support.screens.figures_told import assert_tells

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


def test_the_fitted_unit_uses_what_fuel_says_of_a_year(said):
    fuel, size = said["fuel"], said["size"]
    (fitted,) = [unit for unit in size["candidates"] if unit["fitted"]]
    assert fitted["litres_per_year"] == pytest.approx(fuel["litres_per_year"]["median"], rel=0.01)
    # Its hours are those of the life that it has left: half way from today's output to the limit.
    output = (said["report"]["output"]["fraction"] + 0.60) / 2.0
    assert fitted["hours_per_year"] * 0.110 * output == pytest.approx(fuel["year"]["kwh"], rel=0.01)
    left = said["report"]["remaining"]["hours"]["median"]
    assert fitted["years"] == pytest.approx(left / fitted["hours_per_year"], rel=1e-3)


def test_the_figures_of_each_unit_follow_from_its_own_row(said):
    """Output falls steadily from rated to 60 %; 7,500 h are what the invented units last."""
    kwh = said["fuel"]["year"]["kwh"]
    decline = said["report"]["decline"]["per_1000h"]
    price = {50.0: 3000.0, 75.0: 4000.0, 110.0: 5200.0, 160.0: 7000.0}
    new = {50.0: 0.95, 75.0: 0.92, 110.0: 0.90, 160.0: 0.88}
    load = said["load"]
    units = [unit for unit in said["size"]["candidates"] if not unit["fitted"]]
    assert [unit["rated_w"] for unit in units] == [50.0, 75.0, 110.0, 160.0]
    for unit in units:
        rated, hours = unit["rated_w"], unit["hours_per_year"]
        delivered = hours * 0.8 * rated / 1000.0
        # A small unit cannot give all that the heaviest days ask for.
        assert 0.9 * kwh < delivered < 1.01 * kwh
        if rated > 100.0:
            assert delivered == pytest.approx(kwh, rel=0.01)
        # The mean of 1 / output, from 1 down to 0.6.
        older = np.mean(1.0 / np.linspace(1.0, 0.6, 100_001))
        assert unit["litres_per_year"] == pytest.approx(delivered * new[rated] * older, rel=1e-3)
        assert unit["years_design"] == pytest.approx(7500.0 / hours, rel=1e-3)
        assert unit["years_decline"] == pytest.approx(400.0 / decline / hours, rel=1e-3)
        years = min(unit["years_design"], unit["years_decline"])
        assert unit["cost_per_year"] == pytest.approx(price[rated] / years, rel=1e-3)
        assert unit["price_per_year"] == unit["cost_per_year"]
        assert unit["fuel_per_year"] is None
        assert unit["years"] == pytest.approx(years, rel=1e-3)
    # Two mean days, half of a bank that is worn to 80 %.
    assert said["size"]["bank_ah"] == pytest.approx(
        load["ah_per_day"]["mean"] * 2 / 0.5 / 0.8, 1e-3
    )


def test_the_cable_is_the_thinnest_of_iec_60228(said):
    """Class 5, tinned, ohm/km at 20 degC: IEC 60228:2004 table 3 (from memory)."""
    table = {1.0: 20.0, 1.5: 13.7, 2.5: 8.21, 4.0: 5.09, 6.0: 3.39}
    cable, (unit,) = (
        said["size"]["cable"],
        [u for u in said["size"]["candidates"] if u["label"] == said["size"]["recommended"]],
    )
    current = unit["rated_w"] / 12.0
    # 0.4 % a kelvin, at 50 degC; 2 m there and 2 m back.
    drop = {mm2: current * ohm / 1000.0 * 4.0 * 1.12 for mm2, ohm in table.items()}
    by_hand = min(mm2 for mm2, lost in drop.items() if lost <= 0.03 * 12.0)
    assert cable["cross_section_mm2"] == by_hand
    assert cable["drop_v"] == pytest.approx(drop[by_hand], abs=1e-4)
    assert cable["drop"] == pytest.approx(drop[by_hand] / 12.0, abs=1e-5)
    assert cable["current_a"] == pytest.approx(current, abs=1e-3)
    assert (cable["length_m"], cable["most_drop"], cable["awg"]) == (2.0, 0.03, None)
    assert cable["fuse"] == "by the maker's manual"


def carried_by_hand(days_ah, watts, eta, grown=1.0):
    """Return the share of days on which a bank of 220 Ah, used to half, carries the boat.

    A charger that gives so many watts round the clock, at 13.2 V, fills what was drawn.
    """
    left = most = 110.0
    carried = []
    for ah in grown * days_ah:
        left = min(left + 24.0 * watts / 13.2 * eta - ah, most)
        carried.append(left >= 0.0)
        left = max(left, 0.0)
    return np.mean(carried)


def test_the_days_carried_are_those_of_a_bank_day_by_day(said, stretches):
    size, eta = said["size"], said["load"]["charge_efficiency"]
    # Each stretch as the days that it lasted.
    load_a = eta * stretches.charge_ah / (stretches.rest_h + eta * stretches.run_h)
    days = np.maximum(((stretches.rest_h + stretches.run_h) / 24.0).round().astype(int), 1)
    days_ah = np.repeat(24.0 * load_a.to_numpy(), days)
    for unit in size["candidates"]:
        part = said["report"]["output"]["fraction"] if unit["fitted"] else 1.0
        for told, output in (("days_carried_new", part), ("days_carried_end", 0.60)):
            by_hand = carried_by_hand(days_ah, output * unit["rated_w"], eta)
            assert unit[told] == pytest.approx(by_hand, abs=0.08), (unit["label"], told)
    least = next(w for w in range(10, 100) if carried_by_hand(days_ah, w, eta) >= 0.95)
    assert size["needed_w"] == pytest.approx(least, rel=0.25)
    for more in size["grown"]:
        fits = [
            u for u in size["candidates"] if 0.6 * u["rated_w"] >= more["load"] * size["needed_w"]
        ]
        due = said["report"]["verdict"] in {"plan", "replace"}
        fits = [unit for unit in fits if not (unit["fitted"] and due)]
        assert more["recommended"] == fits[0]["label"]
        by_hand = carried_by_hand(days_ah, 66.0, eta, more["load"])
        assert more["fitted_carried_end"] == pytest.approx(by_hand, abs=0.08)
    assert size["recommended"] == size["grown"][0]["recommended"]
    assert (size["autonomy_days"], size["depth_of_discharge"]) == (2.0, 0.5)


def test_the_screen_tells_these_figures(said, asked):
    size, load = said["size"], said["load"]
    text = asked("size")
    # A year's energy over what the mean day takes from the charger.
    day_kwh = load["ah_per_day"]["mean"] / load["charge_efficiency"] * 13.2 / 1000.0
    days_a_year = float(re.search(r"on (\d+) days\s+a year", text)[1])
    # The scatter of the days' own loads moves their mean by half a percent.
    assert days_a_year == pytest.approx(said["fuel"]["year"]["kwh"] / day_kwh, rel=0.01)
    units = size["candidates"]
    rows = []
    for unit in units:
        label = [] if unit["fitted"] else [unit["rated_w"]]
        costs = [] if unit["cost_per_year"] is None else [unit["cost_per_year"]]
        rows += [
            *label, unit["rated_w"], 100.0 * unit["days_carried_new"],
            100.0 * unit["days_carried_end"], unit["hours_per_year"], unit["years_design"],
            unit["years_decline"], unit["litres_per_year"], *costs,
        ]  # fmt: skip
    (one,) = [unit for unit in units if unit["label"] == size["recommended"]]
    cable, ah = size["cable"], load["ah_per_day"]
    rated = {unit["label"]: unit["rated_w"] for unit in units}
    more = [rated[larger["recommended"]] for larger in size["grown"][1:]]
    price = {50.0: 3000.0, 75.0: 4000.0, 110.0: 5200.0, 160.0: 7000.0}[one["rated_w"]]
    new = [unit for unit in units if not unit["fitted"]]
    below = [unit for unit in new if unit["rated_w"] < one["rated_w"]][-1]
    above = next(unit for unit in new if unit["rated_w"] > one["rated_w"])
    assert_tells(text, [
        ah["mean"], ah["p95"], 19, 20, load["days_used"], days_a_year, *rows,
        one["rated_w"],
        size["needed_w"], 19, 20, size["needed_w"] / 0.6, 60,
        100.0 * said["report"]["output"]["fraction"],
        # At which difference of the meters to stop.
        5, 0.2, 24, 0.4,
        one["rated_w"], one["hours_per_year"] / days_a_year,
        price, one["years"], one["cost_per_year"],
        20, more[0], 100.0 * size["grown"][1]["fitted_carried_end"],
        50, more[1], 100.0 * size["grown"][2]["fitted_carried_end"],
        size["bank_ah"], 2, 50, 80, 220,
        cable["cross_section_mm2"], 2, cable["current_a"], cable["drop_v"], 100 * cable["drop"],
    ])  # fmt: skip
    # The document has the neighbours' sentences too, which the screen had no room for.
    smaller, larger = size["reasons"][-2:]
    assert_tells(smaller, [
        below["rated_w"], below["hours_per_year"] / days_a_year, 100.0 * below["days_carried_end"],
        below["years"], one["years"],
    ])  # fmt: skip
    hours_a_day = above["hours_per_year"] / days_a_year
    assert_tells(larger, [above["rated_w"], hours_a_day, above["years"]])


def test_an_audit_is_the_sum_of_its_rows(said, demonstration, run_on_years, tmp_path):
    """Amperes times hours; three days in ten are on passage."""
    rows = [("fridge", 4.5, 8, 8), ("instruments", 2.5, 0, 24), ("lights", 1.2, 4, 3)]
    lines = ["item,amps,hours_rest,hours_passage", *(",".join(map(str, row)) for row in rows)]
    (tmp_path / "audit.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    folder, _ = demonstration
    shown = run_on_years("size", "--audit", tmp_path / "audit.csv", "--json", cwd=folder)
    sentence = json.loads(shown.stdout)["basis"][1]
    rest, passage = (sum(row[1] * row[k] for row in rows) for k in (2, 3))
    mean = 0.3 * passage + 0.7 * rest
    more = 100.0 * (mean / said["load"]["ah_per_day"]["mean"] - 1.0)
    assert_tells(sentence.replace("+", ""), [mean, rest, passage, more])
    # Without any configuration: the audit alone.
    alone = run_on_years("size", "--audit", tmp_path / "audit.csv", "--json", cwd=tmp_path)
    (first, second) = json.loads(alone.stdout)["basis"]
    assert_tells(first, [3, rest, passage, 30, 12])
    assert_tells(second, [60])
    supply_kwh = mean / 0.92 * 13.2 / 1000.0 * 365.0
    for unit in json.loads(alone.stdout)["candidates"]:
        delivered = unit["hours_per_year"] * 0.8 * unit["rated_w"] / 1000.0
        # A small unit cannot give all that a day on passage takes.
        most = supply_kwh if unit["rated_w"] > 100.0 else min(
            supply_kwh, 365.0 * (0.7 * rest / 0.92 * 0.0132 + 0.3 * 0.024 * 0.8 * unit["rated_w"])
        )  # fmt: skip
        assert delivered == pytest.approx(most, rel=0.06)
