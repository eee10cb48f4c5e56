"""Figures of the commands on the demonstration, computed by hand from what `ebbwatt export` writes.

Nothing of the program is used for the hand computations: pandas reads the exported intervals and
events. The truth of a passage comes from the simulator.
"""

import itertools
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
import pytest

from logger.config import load_config
from logger.sources.boat.run import Voyage
from logger.sources.simulated import build
from tests.support.pause import coverage_paused

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


@pytest.fixture(scope="module")
def run_ebbwatt(run_ebbwatt):
    """Years of log take three times as long where coverage is measured; small boats measure it."""
    return partial(run_ebbwatt, measured=False)


@pytest.fixture(scope="module")
def exported(demonstration, run_ebbwatt, tmp_path_factory):
    """The intervals and events of the demonstration, as a spreadsheet would have them."""
    folder, _ = demonstration
    work = tmp_path_factory.mktemp("export")
    run_ebbwatt("export", work / "intervals.csv", cwd=folder, timeout=GENEROUS_S)
    run_ebbwatt("export", work / "events.csv", "--events", cwd=folder, timeout=GENEROUS_S)
    import pandas as pd  # takes long to load, and every process of a run reads this file

    intervals = pd.read_csv(work / "intervals.csv", parse_dates=["start"])
    intervals["end"] = intervals.start + pd.to_timedelta(intervals.duration_s, unit="s")
    intervals["kwh"] = intervals.energy_j / 3.6e6
    return intervals, pd.read_csv(work / "events.csv", parse_dates=["time"])


@pytest.fixture(scope="module")
def said(demonstration, asked):
    """What each command says as a document."""
    folder, _ = demonstration
    found = {command: json.loads(asked(command, "--json")) for command in ("fuel", "size", "load")}
    found["report"] = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def last_year(exported):
    """The intervals of the last 365 days."""
    intervals, _ = exported
    end = intervals.end.iloc[-1]
    return intervals[intervals.start >= end - timedelta(days=365)]


def test_containers_a_year_are_those_of_the_last_365_days(exported, said, last_year):
    intervals, events = exported
    kwh = last_year.kwh.sum()
    assert kwh == pytest.approx(105.8, abs=0.1)
    fuel = said["fuel"]
    by_hand = kwh * fuel["l_per_kwh"]["estimate"] / 10.0
    year = fuel["containers_per_year"]
    assert year["median"] == pytest.approx(by_hand, rel=0.01)
    assert year["low"] < by_hand < year["high"]
    # Changes that were recorded in that time, each of a container that had lasted: 14, one more
    # being in use.
    changes = events[(events.kind == "fuel") & (events.time >= last_year.start.iloc[0])]
    assert year["median"] == pytest.approx(len(changes), abs=1.5)
    assert fuel["year"]["kwh"] == pytest.approx(kwh, rel=1e-4)
    assert fuel["year"]["days_logged"] == pytest.approx(
        last_year.duration_s.sum() / 86400.0, abs=0.02
    )
    counter = intervals.runtime_h.iloc[-1] - last_year.runtime_h.iloc[0]
    assert fuel["year"]["running_hours"] == pytest.approx(counter, abs=0.5)


def test_litres_per_kwh_are_those_of_the_containers(exported, said):
    import pandas as pd

    intervals, events = exported
    changes = events[(events.kind == "fuel") & (events.struck == "no")].time
    cut = pd.cut(intervals.start, [*changes, intervals.end.iloc[-1]], labels=False)
    energy = intervals.kwh.groupby(cut).sum().iloc[:-1]
    middle_h = intervals.runtime_h.groupby(cut).mean().iloc[:-1]
    # A straight line through the last twelve containers, drawn out to the hours of today.
    line = np.polyfit(middle_h.iloc[-12:], np.log(10.0 / energy.iloc[-12:]), 1)
    by_hand = np.exp(np.polyval(line, intervals.runtime_h.iloc[-1]))
    use = said["fuel"]["l_per_kwh"]
    assert use["low"] < by_hand < use["high"]
    since = intervals[intervals.start >= changes.iloc[-1]].kwh.sum()
    left = said["fuel"]["litres_left"]
    assert left["low"] < 10.0 - since * use["estimate"] < left["high"]


@pytest.fixture(scope="module")
def ran(exported):
    """The intervals in which the charger ran, each with the number of its run and hours into it."""
    intervals, _ = exported
    running = intervals[intervals.state.isin(["running", "starting", "shutting_down"])].copy()
    pause_s = (running.start - running.end.shift()).dt.total_seconds()
    running["run"] = (pause_s.isna() | (pause_s > 900)).cumsum()
    begun = running.groupby("run").start.transform("first")
    running["into_h"] = (running.start - begun).dt.total_seconds() / 3600.0
    return running


def test_hours_and_runs_of_the_report_add_up(demonstration, said, ran):
    observed, account = said["report"]["observed"], said["report"]["hours_account"]
    assert observed["running_hours"] == pytest.approx(ran.duration_s.sum() / 3600.0, abs=0.02)
    assert observed["runs"] == ran.run.max()
    rows = account["rows"]
    assert sum(row["hours"] for row in rows) == pytest.approx(account["all"], abs=0.1)
    assert account["all"] == observed["running_hours"]
    assert sum(row["runs"] or 0 for row in rows) == observed["runs"]
    edges = ran[ran.state != "running"].duration_s.sum() / 3600.0
    (told,) = [row["hours"] for row in rows if row["what"].startswith("starting")]
    assert told == pytest.approx(edges, abs=0.1)
    by_limit = observed["source_limited_runs"] + observed["battery_limited_runs"]
    assert by_limit <= observed["runs"]
    folder, _ = demonstration
    page = (folder / "report.html").read_text(encoding="utf-8")
    table = page.partition("Use by calendar year")[2].partition("</table>")[0]
    cells = re.findall(r'scope="row">(\d{4}|all)</th><td class="n">(\d+)', table)
    by_hand = ran.groupby("run").start.first().dt.year.value_counts()
    assert {name: int(runs) for name, runs in cells} == {
        **{str(year): int(runs) for year, runs in by_hand.items()},
        "all": observed["runs"],
    }


def test_output_decline_and_remaining_hours(said, ran):
    import pandas as pd

    report = said["report"]
    early = ran[(ran.into_h > 0.5) & (ran.into_h < 3.3) & (ran.state == "running")]
    early = early[early.voltage_max_v < 14.15]  # below the charge ceiling
    grouped = early.groupby("run")
    seen = pd.DataFrame(
        {
            "hours": grouped.runtime_h.mean(),
            "part": grouped.energy_j.sum() / grouped.duration_s.sum() / 110.0,
            "seconds": grouped.duration_s.sum(),
        }
    )
    seen = seen[(seen.seconds > 3600) & (seen.hours > 500)]
    slope, level = np.polyfit(seen.hours / 1000.0, seen.part, 1)
    decline, output = report["decline"], report["output"]
    assert decline["low"] <= -slope <= decline["high"]
    # What sags within the first three hours of a run comes back: 1 % or so of rated.
    now = level + slope * output["at_runtime_h"] / 1000.0
    assert output["fraction"] - decline["sag"] < now < output["fraction"]
    # Nor does one odd run matter: the median of the slopes of all pairs (Theil and Sen).
    hours, part = seen.hours.to_numpy(), seen.part.to_numpy()
    first, second = np.triu_indices(len(hours), 1)
    apart = np.abs(hours[second] - hours[first]) > 50.0
    slopes = (part[second] - part[first])[apart] / (hours[second] - hours[first])[apart]
    robust = float(np.median(slopes))
    assert -1000.0 * robust == pytest.approx(decline["per_1000h"], rel=0.05)
    robust_now = float(np.median(part - robust * hours)) + robust * output["at_runtime_h"]
    # It reads the sag along, as the line does, so it says some hours fewer: within the interval.
    assert output["low"] < robust_now < output["fraction"]
    robust_left = (robust_now - 0.60) / -robust
    span = report["remaining"]["hours"]
    assert span["low"] < robust_left < span["high"]
    left = 1000.0 * (output["fraction"] - 0.60) / decline["per_1000h"]
    assert report["remaining"]["hours"]["median"] == pytest.approx(left, rel=0.05)


def test_the_date_follows_the_seasons_of_the_log(said, ran):
    """Walk through the months to come, each with its mean of the months that were."""
    import pandas as pd

    remaining = said["report"]["remaining"]
    end = ran.end.iloc[-1]
    hours = ran.set_index("start").duration_s.resample("MS").sum() / 3600.0
    hours = hours.iloc[1:-1]  # whole months only
    usual = hours.groupby(hours.index.month).mean()
    left, day = remaining["hours"]["median"], end
    while left > 0.0:
        day += timedelta(days=1)
        left -= usual.get(day.month, 0.0) / day.days_in_month
    low, high = (pd.Timestamp(remaining["date"][e]) for e in ("low", "high"))
    assert low < day < high
    assert abs(pd.Timestamp(remaining["date"]["median"]) - day) < timedelta(days=75)


def test_the_load_is_that_of_stretches_from_start_to_start(exported, said, ran):
    """Balance by hand: Q eta = L (rest + eta running) between starts, when nothing else charged."""
    intervals, _ = exported
    running = intervals.index.isin(ran.index)
    starts = ran.groupby("run").start.first()
    rest_h = run_h = charge_ah = 0.0
    for begin, end in itertools.pairwise(starts):
        if begin < intervals.end.iloc[-1] - timedelta(days=730):
            continue
        inside = (intervals.start >= begin) & (intervals.start < end)
        stretch, on = intervals[inside], running[inside]
        length_h = (end - begin).total_seconds() / 3600.0
        if stretch.duration_s.sum() / 3600.0 < length_h - 0.5:
            continue  # a gap
        ended = stretch[on].end.iloc[-1]
        rested = stretch[~on & (stretch.start > ended + timedelta(hours=4))]
        # Shore power and engine hold the bank above what it rests at, or charge it above 14.3 V.
        if (rested.voltage_mean_v > 12.95).any() or (stretch.voltage_max_v > 14.3).any():
            continue
        run_h += stretch[on].duration_s.sum() / 3600.0
        rest_h += length_h - stretch[on].duration_s.sum() / 3600.0
        charge_ah += stretch.charge_c.sum() / 3600.0
    load = said["load"]
    eta = load["charge_efficiency"]
    by_hand = 24.0 * eta * charge_ah / (rest_h + eta * run_h)
    assert load["ah_per_day"]["low"] < by_hand < load["ah_per_day"]["high"]
    volts = np.average(intervals.voltage_mean_v[~running], weights=intervals.duration_s[~running])
    assert load["wh_per_day"]["mean"] == pytest.approx(load["ah_per_day"]["mean"] * volts, rel=0.02)


def test_every_command_says_the_same_of_a_year(said, last_year):
    kwh = last_year.kwh.sum()
    fuel, size = said["fuel"], said["size"]
    litres = fuel["litres_per_year"]["median"]
    assert litres == pytest.approx(10.0 * fuel["containers_per_year"]["median"], rel=1e-4)
    assert litres == pytest.approx(kwh * fuel["l_per_kwh"]["estimate"], rel=0.01)
    (days,) = re.findall(r"on (\d+) days a year", " ".join(size["basis"]))
    (mean_ah,) = re.findall(r"(\d+) Ah on the mean day", " ".join(size["basis"]))
    assert float(mean_ah) == round(said["load"]["ah_per_day"]["mean"])
    supply_kwh = float(mean_ah) / said["load"]["charge_efficiency"] * 13.2 / 1000.0
    assert float(days) * supply_kwh == pytest.approx(kwh, rel=0.03)


def test_three_weeks_under_way_are_those_of_the_same_boat_sent_there(demonstration, run_ebbwatt):
    """Send the invented boat under way from where her log ends: other days, the same charger."""
    folder, _ = demonstration
    shown = run_ebbwatt("fuel", "--under-way", "21", "--json", cwd=folder, timeout=GENEROUS_S)
    said = json.loads(shown.stdout)["passage"]
    model = build(load_config(folder / "ebbwatt.toml")).voyage.model
    used = []
    for seed in (101, 102, 103):
        sent = replace(
            model,
            seed=seed,
            start=datetime(2025, 9, 8, tzinfo=UTC),
            habits=replace(
                model.habits,
                under_way_share=1.0,
                away_share=0.0,
                shore_share=0.0,
                engine_share=0.0,
                season=(1, 366),
            ),
            sensors=replace(model.sensors, spacing_s=60.0, rest_spacing_s=300.0),
        )
        voyage = Voyage(sent)
        with coverage_paused():
            for _ in voyage.readings(days=21.0):
                pass
        used.append(voyage.fuel_used_l)
    assert min(used) > 28.0, "30 to 35 L, by other lives of this boat"
    assert said["litres"]["low"] < np.mean(used) < said["litres"]["high"]
    assert said["litres"]["median"] == pytest.approx(np.mean(used), rel=0.15)
    assert said["days_under_way_seen"] > 60


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
    assert cable["fuse"] == "by the maker's manual"


def test_days_left_are_those_of_the_last_90_whole_days(exported, said):
    intervals, _ = exported
    fuel = said["fuel"]
    by_day = intervals.set_index("start")[["kwh", "duration_s"]].resample("D").sum()
    whole = by_day[by_day.duration_s > 23 * 3600.0].kwh.iloc[-90:]
    assert fuel["days_used"] == len(whole)
    assert fuel["kwh_per_day"] == pytest.approx(whole.mean(), rel=0.01)
    # Begin on each of these days: how many whole days does the fuel last?
    left_kwh = fuel["litres_left"]["median"] / fuel["l_per_kwh"]["estimate"]
    lasted = []
    for begin in range(len(whole)):
        used = whole.iloc[begin:].cumsum().to_numpy()
        if used[-1] > left_kwh:
            lasted.append(int(np.searchsorted(used, left_kwh)))
    low, median, high = np.percentile(lasted, [5, 50, 95])
    said_left = fuel["days_left"]
    # Blocks of days are drawn and moved; single days are whole numbers.
    assert said_left["median"] == pytest.approx(median, abs=1.5)
    assert said_left["low"] == pytest.approx(low, abs=1.5)
    assert said_left["high"] == pytest.approx(high, abs=4.0)


def test_what_a_kwh_makes_follows_from_the_formula(said):
    """CH3OH + 1.5 O2 -> CO2 + 2 H2O; density 0.7915 kg/L at 20 degC (CRC Handbook, from memory)."""
    grams = said["fuel"]["l_per_kwh"]["estimate"] * 791.5
    made = said["fuel"]["per_kwh"]
    assert made["co2_g"] == pytest.approx(grams / 32.04 * 44.01, rel=2e-3)
    assert made["water_g"] == pytest.approx(grams / 32.04 * 2 * 18.015, rel=2e-3)
    # Lower heating value 19.9 MJ/kg.
    assert made["efficiency_lhv"] == pytest.approx(3.6 / (grams / 1000.0 * 19.9), rel=0.01)
    # Air with 420 ppm of carbon dioxide in, 5000 ppm out; 24.47 L a mole at 25 degC.
    air = 0.110 * made["co2_g"] / 44.01 * 24.47 / 1000.0 / ((5000 - 420) * 1e-6)
    assert said["fuel"]["closed_space"]["air_m3_per_h"] == pytest.approx(air, rel=0.02)


def test_the_sheet_of_a_passage_adds_up(demonstration, run_ebbwatt, said):
    folder, _ = demonstration
    shown = run_ebbwatt("fuel", "--passage", "--under-way", "21", "--json", cwd=folder,
                        timeout=GENEROUS_S)  # fmt: skip
    trip = json.loads(shown.stdout)["passage"]
    fuel, load = said["fuel"], said["load"]
    litres, drawn = trip["litres"], trip["ah_per_day_under_way"]["median"]
    # What is drawn comes from the charger, through the bank in part: between all and none of it.
    least = 21 * drawn * 12.8 / 1000.0
    most = 21 * drawn / load["charge_efficiency"] * 14.0 / 1000.0
    assert least < trip["kwh"] < most
    # Wh stand beside Ah, at the voltage at which the load is drawn.
    ah_mean, wh_mean = load["ah_per_day"]["mean"], load["wh_per_day"]["mean"]
    for end, wh in trip["wh_per_day_under_way"].items():
        assert wh == pytest.approx(trip["ah_per_day_under_way"][end] * wh_mean / ah_mean, rel=1e-3)
    use = fuel["l_per_kwh"]["estimate"]
    assert litres["median"] == pytest.approx(trip["kwh"] * use, rel=0.02)
    assert trip["aboard_litres"] == pytest.approx(
        litres["median"] + trip["reserve_litres"], abs=0.1
    )
    # Three more days, and a margin that covers the upper end.
    assert trip["aboard_litres"] > litres["high"] + 2.0 * litres["median"] / 21.0
    assert trip["containers"] == np.ceil(litres["high"] / 10.0)
    assert trip["stock_litres"] == pytest.approx(fuel["litres_left"]["low"], abs=0.05)
    buy = np.ceil((trip["aboard_litres"] - trip["stock_litres"]) / 10.0)
    assert trip["buy_containers"] == buy


def test_energy_charge_and_counter_of_the_report(exported, said):
    intervals, _ = exported
    observed = said["report"]["observed"]
    assert observed["energy_kwh"] == pytest.approx(intervals.kwh.sum(), rel=1e-4)
    assert observed["charge_ah"] == pytest.approx(intervals.charge_c.sum() / 3600.0, rel=1e-4)
    assert said["report"]["output"]["at_runtime_h"] == pytest.approx(
        intervals.runtime_h.iloc[-1], abs=0.1
    )
    assert said["report"]["output"]["watts"] == pytest.approx(
        110.0 * said["report"]["output"]["fraction"], abs=0.01
    )
