"""Figures of `ebbwatt report`, computed by hand from what `ebbwatt export` writes."""

import html
import re
from datetime import datetime, timedelta

import numpy as np
import pytest

from tests.support.screens.figures_told import assert_tells, stands_for

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


def test_hours_and_runs_of_the_report_add_up(demonstration, said, ran):
    observed, account = said["report"]["observed"], said["report"]["hours_account"]
    assert observed["running_hours"] == pytest.approx(ran.duration_s.sum() / 3600.0, abs=0.02)
    assert observed["runs"] == ran.run.max()
    rows = account["rows"]
    assert sum(row["hours"] for row in rows) == pytest.approx(account["all"], abs=0.1)
    assert account["all"] == observed["running_hours"]
    assert sum(row["runs"] or 0 for row in rows) == observed["runs"]
    edges = ran[ran.state != "running"].duration_s.sum() / 3600.0
    told = {row["what"]: row["hours"] for row in rows}
    assert told["starting, shutting down or at fault"] == pytest.approx(edges, abs=0.1)
    on = ran[ran.state == "running"]

    def hours(which):
        return on[which].duration_s.sum() / 3600.0

    top = on.voltage_max_v >= 14.15
    assert told["the battery set the current (at the charge ceiling)"] == pytest.approx(
        hours(top), rel=0.02
    )
    # The first 18 minutes warm up; what follows three hours and a half is too late in the run.
    assert told["still warming up"] == pytest.approx(hours(on.into_h < 0.3), rel=0.1)
    assert told["later in the run"] == pytest.approx(hours((on.into_h > 3.5) & ~top), rel=0.05)
    left = {row["what"]: row["hours"] for row in rows if not row["used"]}
    for what, part_h in said["report"]["left_out_hours"].items():
        assert left.pop(what) == part_h
    assert all(what.startswith("runs left out whole") for what in left)
    used = {row["what"]: row["runs"] for row in rows if row["used"]}
    assert used == {
        "source": observed["source_limited_runs"], "battery": observed["battery_limited_runs"]
    }  # fmt: skip
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


def test_output_decline_and_remaining_hours(said, early_output):
    report = said["report"]
    seen = early_output[early_output.hours > 500]
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
    assert [observed[end] for end in ("from", "to")] == [
        ran_from.strftime("%Y-%m-%dT%H:%M:%SZ")
        for ran_from in (intervals.start[intervals.duration_s > 0].iloc[0], intervals.end.iloc[-1])
    ]
    assert said["report"]["charger"] == {
        "label": "Dabchick, aft locker", "rated_w": 110.0, "fitted": "2022-04-18"
    }  # fmt: skip
    assert said["report"]["store"]["fitting"] == 1
    assert said["report"]["as_of"] == observed["to"]


def test_output_since_the_start_and_the_course_are_those_of_the_runs(said, early_output):
    """A curve of third degree through the runs, and the runs themselves beside the course."""
    report = said["report"]
    curve = np.polyfit(early_output.hours, early_output.part, 3)
    whole = early_output[early_output.part > 0.95 * np.polyval(curve, early_output.hours)]
    curve = np.polyfit(whole.hours, whole.part, 3)
    now = np.polyval(curve, report["output"]["at_runtime_h"])
    since = report["output"]["since_start"]
    assert since["low"] < now / np.polyval(curve, whole.hours.iloc[0]) < since["high"]
    course = {name: np.array(values) for name, values in report["course"].items()}
    assert (np.diff(course["runtime_h"]) > 0.0).all()
    assert course["runtime_h"][-1] == report["output"]["at_runtime_h"]
    assert course["median"][-1] == pytest.approx(report["output"]["fraction"], abs=1e-3)

    def at(name):
        return np.interp(whole.hours, course["runtime_h"], course[name])

    # The course is that of rested starts, of which the first three hours lose half a percent.
    assert np.median(whole.part / at("median")) == pytest.approx(0.995, abs=0.004)
    inside = (whole.part > at("low")) & (whole.part < at("high"))
    assert inside.mean() > 0.95
    assert (course["low"] < course["median"]).all()
    assert (course["median"] < course["high"]).all()
    assert (report["output"]["confidence"], report["steps"]) == (0.9, [])
    # Of the configuration, which names none: 2 % (the default).
    assert report["output"]["sensor_uncertainty"] == 0.02


def test_which_limit_comes_first(said):
    """The other limits lie far off: what the boat needs, and the hours of the design."""
    report, size = said["report"], said["size"]
    first = report["remaining"]["first"]
    assert sum(first.values()) == pytest.approx(1.0, abs=0.002)
    assert report["remaining"]["until"] == max(first, key=first.get) == "output"
    # The load asks for a third of rated, and its own interval is some ten percent wide.
    assert size["needed_w"] / 110.0 < 0.45
    assert first["load"] < 0.02
    # 7000 h are not reached before 60 % are.
    assert 7000.0 - report["observed"]["running_hours"] > report["remaining"]["hours"]["high"]
    assert first["design_hours"] == 0.0
    assert report["verdict"] == "plan"
    (plan,) = [r["text"] for r in report["reasons"] if r["code"] == "below_plan"]
    output = report["output"]
    assert_tells(plan, [100 * output[e] for e in ("fraction", "low", "high")] + [75])
    (near,) = [r["text"] for r in report["reasons"] if r["code"] == "limit_near"]
    assert_tells(near, [report["remaining"]["hours"]["median"]])
    (bounds,) = [r["text"] for r in report["reasons"] if r["code"] == "lower_bounds"]
    assert_tells(bounds, [report["observed"]["battery_limited_runs"]])


def test_service_is_counted_from_its_last_tick(said, exported):
    intervals, events = exported
    done = events[(events.kind == "service") & (events.struck == "no")]
    jobs = {job["name"]: job for job in said["report"]["service"]}
    for name, job in jobs.items():
        (ticked,) = done[done.text.str.startswith(name)].time
        assert datetime.fromisoformat(job["last"]) == ticked
        assert job["hours_estimated"] is False
    # Every thousand hours; every twelve months.
    ticked = datetime.fromisoformat(jobs["intake-filter"]["last"])
    then_h = intervals.runtime_h[intervals.end <= ticked].iloc[-1]
    left = 1000.0 - (intervals.runtime_h.iloc[-1] - then_h)
    assert jobs["intake-filter"]["hours_left"] == pytest.approx(left, abs=0.2)
    assert left < 0.0
    assert jobs["intake-filter"]["due"] == said["report"]["as_of"][:10]
    ticked = datetime.fromisoformat(jobs["exhaust-check"]["last"])
    assert jobs["exhaust-check"]["due"] == ticked.replace(year=ticked.year + 1).date().isoformat()
    assert jobs["exhaust-check"]["hours_left"] is None


def test_the_screen_tells_these_figures(said, shown):
    report = said["report"]
    output, watts = report["output"], report["output"]["watts"]
    ends = [output[end] for end in ("fraction", "low", "high")]
    decline = [100.0 * report["decline"][end] for end in ("per_1000h", "low", "high")]
    left = [report["remaining"]["hours"][end] for end in ("median", "low", "high")]
    (late,) = [-j["hours_left"] for j in report["service"] if j["name"] == "intake-filter"]
    text = shown("report").partition("Cautions")[0]
    assert watts == pytest.approx(110.0 * output["fraction"], abs=0.01)
    share = [100.0 * end for end in ends]
    assert_tells(text, [
        110, *share, 90, *(110.0 * end for end in ends),
        *decline[:1], *decline[1:], 1000, 90,
        *left, 60,
        *share, 75,
        5, 0.2, 24, 0.4, late,
    ])  # fmt: skip
    date = report["remaining"]["date"]
    (row,) = [line for line in text.splitlines() if line.startswith("date ")]
    months = [date[end][:7] for end in ("median", "low", "high")]
    assert re.findall(r"\d{4}-\d{2}", row) == months


def rows_of(page, caption):
    """Return the cells of the first table behind some words, as texts."""
    table = page.partition(caption)[2].partition("</table>")[0]
    return [
        [html.unescape(re.sub(r"<[^>]+>", "", cell)).replace("\N{NO-BREAK SPACE}", " ").strip()
         for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.DOTALL)]
        for row in re.findall(r"<tr.*?</tr>", table, re.DOTALL)
    ]  # fmt: skip


def test_the_page_tells_these_figures(demonstration, said, ran, exported):
    """Use by calendar year from the runs that began in it; the rest from the document."""
    folder, _ = demonstration
    page = (folder / "report.html").read_text(encoding="utf-8")
    _, events = exported
    report = said["report"]
    begun = ran.groupby("run").agg({"start": "first", "duration_s": "sum", "kwh": "sum",
                                    "charge_c": "sum"})  # fmt: skip
    by_year = begun.groupby(begun.start.dt.year).agg(
        runs=("kwh", "size"), seconds=("duration_s", "sum"), kwh=("kwh", "sum"),
        coulombs=("charge_c", "sum"),
    )  # fmt: skip
    told = {row[0]: row[1:] for row in rows_of(page, "Use by calendar year") if len(row) == 5}
    for year, own in by_year.iterrows():
        want = [own.runs, own.seconds / 3600.0, own.kwh, own.coulombs / 3600.0]
        assert all(stands_for(v, one) for v, one in zip(told[str(year)], want, strict=True))
    whole = [by_year.runs.sum(), by_year.seconds.sum() / 3600.0, by_year.kwh.sum(),
             by_year.coulombs.sum() / 3600.0]  # fmt: skip
    assert all(stands_for(v, one) for v, one in zip(told["all"], whole, strict=True))
    # The account of hours as in the document.
    account = rows_of(page, "What was used and what was left out")
    shown = sorted(float(row[-1]) for row in account[1:] if "all running" not in row[0])
    hours = sorted(row["hours"] for row in report["hours_account"]["rows"])
    assert all(stands_for(f"{a:g}", b) for a, b in zip(shown, hours, strict=True))
    # The fitted output at five times of the log, and drawn out by its own decline.
    course, output = report["course"], report["output"]
    fitted = rows_of(page, "Fitted available output")
    compared = 0
    for at_h, part, _, kind in (row for row in fitted if row[-1:] in (["seen"], ["forecast"])):
        value = np.interp(float(at_h), course["runtime_h"], course["median"])
        beyond = max(float(at_h) - output["at_runtime_h"], 0.0) / 1000.0
        value -= beyond * report["decline"]["per_1000h"]
        assert float(part.removesuffix(" %")) == pytest.approx(100.0 * value, abs=1.0), (at_h, kind)
        compared += 1
    assert compared >= 6
    # What a meter shows: the output over 13.2 V.
    words = " ".join(re.sub(r"<[^>]+>", "", page).replace("\N{NO-BREAK SPACE}", " ").split())
    amps = [110.0 * output[end] / 13.2 for end in ("fraction", "low", "high")]
    assert_tells(re.search(r"Expected: about .*? at 13\.2 V", words)[0], [*amps, 13.2])
    fuel = events[(events.kind == "fuel") & (events.struck == "no")]
    assert f"{fuel.amount.sum():.0f} L" in words
    assert f"{len(fuel)} since {fuel.time.min():%Y-%m-%d}" in words
