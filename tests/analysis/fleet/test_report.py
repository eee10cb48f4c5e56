"""The report of a fleet: what changed is assessed, the rest kept; ranked, with a reason each."""

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from urllib.parse import unquote

import numpy as np
import pytest

from analysis import cli
from analysis.figures import iso
from analysis.fleet.document import COLUMNS, document, table
from analysis.fleet.folder import Fleet
from analysis.fleet.intake import take
from analysis.fleet.ranking import STANDING_WORDS, Standing
from analysis.show.page.fleet_page import fleet_page
from analysis.show.screen.fleet import lines
from logger.store.files import prepare
from tests.support.boats import plain_log
from tests.support.boats.fleet_boats import write_boat
from tests.support.boats.fleets import assess_fleet
from tests.support.screens.pages import Outline

#: Of each boat: label, runs, loss a thousand hours. The logs end when the last run ended.
BOATS = {
    "gannet": (70, 0.10),
    "=1+1": (100, 0.10),
    "razorbill": (90, 0.80),
    "<b>skua</b>": (12, 0.05),
}
DAY_S = 86400.0
#: Shortly after the longest of the logs ended.
NOW_S = plain_log.BEGIN_S + 102 * DAY_S


@pytest.fixture(scope="module")
def incoming(tmp_path_factory):
    folder = tmp_path_factory.mktemp("incoming")
    empty = folder / "empty"
    prepare(empty)
    for k, (label, (runs, loss)) in enumerate(BOATS.items()):
        write_boat(
            folder / f"boat{k}.db", empty.read_bytes(), label=label, more='type = "small"',
            runs=runs, loss=loss, seed=k, apart_d=102 / runs,
        )  # fmt: skip
    return sorted(folder.glob("*.db"))


@pytest.fixture
def fleet(tmp_path, incoming):
    fleet = Fleet(tmp_path / "fleet", make=True)
    assert all(t.outcome == "taken" for t in take(fleet, incoming))
    return fleet


def results_of(fleet):
    return {boat.name: (boat / "result.json").read_bytes() for boat in fleet.boats()}


def test_the_list_is_ranked_and_only_what_changed_is_assessed(fleet, incoming, monkeypatch):
    told = []
    listed = assess_fleet(fleet, NOW_S, 0, 90, lambda *counts: told.append(counts))
    assert told == [(k, 4) for k in range(5)]
    first = listed.boats[0]
    assert (first.label, first.standing) == ("razorbill", Standing.REPLACE)
    assert "below the replacement limit" in first.reason
    assert all(b.reason for b in listed.boats)
    before = results_of(fleet)
    again = assess_fleet(fleet, NOW_S, 0, 90)
    assert again.assessed == 0
    assert again.boats == listed.boats
    part = fleet.boats()[0] / ".result.json.99999.part"
    part.write_text("{half")
    # Touched, but not changed: the digests say so, and the estimate is not made again.
    log = fleet.boats()[0] / "log.db"
    os.utime(log)
    monkeypatch.setattr("analysis.fleet.boat.load_fitting", lambda *_: pytest.fail("assessed"))
    assert assess_fleet(fleet, NOW_S, 0, 90).assessed == 1
    assert not part.exists(), "a worker was killed there"
    monkeypatch.undo()
    # Another configuration: that boat alone is assessed again.
    path = next(b for b in fleet.boats() if b.name == first.key) / "boat.toml"
    path.write_text(path.read_text().replace("110.0", "150.0"))
    assert assess_fleet(fleet, NOW_S, 0, 90).assessed == 1
    after = results_of(fleet)
    assert {n for n in after if after[n] != before[n]} == {log.parent.name, first.key}


def test_where_a_boats_own_report_leaves_its_hours_out_it_is_not_in_the_demand(fleet):
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    (group,) = listed.groups
    assert group.old < 3
    withheld = [b.label for b in listed.boats if b.facts.hours.median is None]
    assert "razorbill" not in withheld
    assert "<b>skua</b>" in withheld
    assert group.unknown == len(withheld)
    assert f"{len(withheld)} of them not counted" in "\n".join(lines(listed, 80))
    assert sum(q.mean for q in group.demand) <= 4 - len(withheld)


@pytest.mark.slow
def test_a_pool_gives_the_same_results_byte_by_byte(fleet, incoming, tmp_path):
    other = Fleet(tmp_path / "other", make=True)
    list(take(other, incoming))
    for one in (fleet, other):
        for boat in one.boats():
            for file in boat.iterdir():
                os.utime(file, (1e9, 1e9))
    serial = assess_fleet(fleet, NOW_S, 0, 90)
    pooled = assess_fleet(other, NOW_S, 2, 90)
    assert results_of(other) == results_of(fleet)
    assert document(pooled) == document(serial)


def test_a_boat_that_cannot_be_assessed_is_named_and_the_others_are_right(fleet):
    good = assess_fleet(fleet, NOW_S, 0, 90).boats
    broken = fleet.boats()[0]
    (broken / "boat.toml").write_text("[charger]\n")
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    (boat,) = [b for b in listed.boats if b.key == broken.name]
    assert boat.standing is Standing.NOT_ASSESSED
    assert "rated_w" in boat.reason
    assert [b for b in listed.boats if b.key != broken.name] == [
        b for b in good if b.key != broken.name
    ]


def test_no_news_for_long_is_told(fleet):
    listed = assess_fleet(fleet, NOW_S + 200 * DAY_S, 0, 90)
    standings = {b.label: b for b in listed.boats}
    assert standings["gannet"].standing is Standing.NO_NEWS
    assert "no log since" in standings["gannet"].reason
    assert standings["razorbill"].standing is Standing.REPLACE


def test_a_table_holds_no_formula_and_the_list_fits_its_width(fleet):
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    rows = list(csv.DictReader(table(listed).splitlines()))
    assert {r["boat"] for r in rows} == {"gannet", "'=1+1", "razorbill", "<b>skua</b>"}
    assert [int(r["place"]) for r in rows] == [1, 2, 3, 4]
    assert float(rows[0]["output"]) < 0.6
    for width in (40, 60, 80, 100, 120):
        shown = lines(listed, width)
        assert max(map(len, shown)) <= width
        assert "razorbill" in "\n".join(shown)
        assert any(re.match(r" *1\. replace\b", line) for line in shown)


def test_a_word_never_runs_into_the_name_of_its_boat(fleet):
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    for standing, word in STANDING_WORDS.items():
        boat = replace(listed.boats[0], standing=standing)
        shown = lines(replace(listed, boats=(boat,)), 80)
        assert any(re.match(rf" *1\. {word} +{boat.label} ", line) for line in shown), word


def test_a_hostile_document_harms_nobody(fleet):
    assess_fleet(fleet, NOW_S, 0, 90)
    boat = fleet.boats()[0]
    kept = json.loads((boat / "result.json").read_text())["document"]
    kept["observed"]["to"] = "2030-01-01T00:00:00Z"
    for change_ in (
        {"verdict": "perfect"},
        {"charger": []},
        {"output": {"low": "x", "fraction": None, "high": None}},
        {"inputs": "none"},
        {"course": {"runtime_h": [1, 2], "median": [float("nan")]}},
    ):
        (boat / "document.json").write_text(json.dumps(kept | change_))
        listed = assess_fleet(fleet, NOW_S, 0, 90)
        (seen,) = [b for b in listed.boats if b.key == boat.name]
        assert seen.facts.until_s < NOW_S
        assert seen.failure == "document.json: is damaged. Hand it in again"
    # A good one that is later than the log counts.
    (boat / "document.json").write_text(json.dumps(kept))
    (seen,) = [b for b in assess_fleet(fleet, NOW_S, 0, 90).boats if b.key == boat.name]
    assert seen.facts.until_s > NOW_S


@pytest.mark.slow
def test_an_interrupted_run_keeps_what_is_done_and_goes_on(fleet, child_env, tmp_path):
    run = subprocess.Popen(
        [sys.executable, "-m", "analysis", "fleet", "report", str(fleet.path), "--workers", "1"],
        env=child_env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 200
    while not any((b / "result.json").exists() for b in fleet.boats()):
        assert time.monotonic() < deadline
        assert run.poll() is None, run.stderr.read()
        time.sleep(0.01)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does, to the workers as well
    _, told = run.communicate(timeout=200)
    assert "Traceback" not in told
    kept = {b.name for b in fleet.boats() if (b / "result.json").exists()}
    assert kept
    # Whoever was quicker than the signal is done; a run that was cut short says so by its status.
    assert (run.returncode, len(kept) == 4) in {(130, False), (130, True), (0, True)}, told
    before = {name: (fleet.path / "boats" / name[:2] / name / "result.json").stat().st_mtime_ns
              for name in kept}  # fmt: skip
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    assert listed.assessed == 4 - len(kept)
    assert len(listed.boats) == 4
    for name, when in before.items():
        assert (fleet.path / "boats" / name[:2] / name / "result.json").stat().st_mtime_ns == when


def test_the_command_writes_what_is_named(fleet, tmp_path, capsys):
    names = [tmp_path / n for n in ("fleet.json", "fleet.csv")]
    told = ["--json", str(names[0]), "--csv", str(names[1]), "--workers", "0"]
    assert cli.main(["fleet", "report", str(fleet.path), *told]) == 0
    assert "4 boats: 1 replace" in capsys.readouterr().out
    listed = json.loads(names[0].read_text())
    assert [b["place"] for b in listed["boats"]] == [1, 2, 3, 4]
    assert len(listed["types"][0]["demand"]) == 8
    # Again over its own files, also of an earlier version, but not over others.
    names[1].write_text(",".join(COLUMNS[:19]) + "\n")
    assert cli.main(["fleet", "report", str(fleet.path), *told]) == 0
    capsys.readouterr()
    assert names[1].read_text().startswith(",".join(COLUMNS))
    names[1].write_text("my own table")
    assert cli.main(["fleet", "report", str(fleet.path), *told]) == 2
    assert names[1].read_text() == "my own table"


def test_a_click_leads_to_the_boats_own_report(fleet, tmp_path, capsys):
    page = tmp_path / "pages" / "fleet.html"
    page.parent.mkdir()
    told = ["fleet", "report", str(fleet.path), "--workers", "0", "--html", str(page)]
    assert cli.main(told) == 0
    links = re.findall(r'href="([^"]+)"', page.read_text())
    assert len(links) == 4
    for boat, link in zip(fleet.boats(), sorted(links), strict=True):
        report = (page.parent / unquote(link)).resolve()
        assert report == (boat / "report.html").resolve()
        assert Outline(report.read_text()).headings[0] == 1
    # Nothing changed: no report is written again. Without a page the log's next state removes it.
    before = [(boat / "report.html").stat().st_mtime_ns for boat in fleet.boats()]
    assert cli.main(told) == 0
    assert [(boat / "report.html").stat().st_mtime_ns for boat in fleet.boats()] == before
    boat = fleet.boats()[0]
    (boat / "boat.toml").write_text((boat / "boat.toml").read_text() + "\n[fuel]\n")
    assess_fleet(fleet, NOW_S, 0, 90)
    assert not (boat / "report.html").exists()
    assert cli.main(told) == 0
    assert (boat / "report.html").exists()
    capsys.readouterr()


def test_a_service_that_is_due_is_a_reason_to_go(fleet):
    assess_fleet(fleet, NOW_S, 0, 90)
    boat = next(b for b in fleet.boats() if "gannet" in (b / "result.json").read_text())
    kept = json.loads((boat / "result.json").read_text())
    cases = ((NOW_S - 9 * DAY_S, Standing.SERVICE), (NOW_S + 9 * DAY_S, Standing.SOUND))
    for due, standing in cases:
        jobs = [
            {"name": "intake-filter", "last": None, "hours_left": None, "due": iso(due)[:10]},
            {"name": "hose", "last": None, "hours_left": 9.0, "due": None},
        ]
        kept["document"] |= {"service": jobs, "inputs": [], "verdict": "sound"}
        (boat / "result.json").write_text(json.dumps(kept))
        listed = {b.label: b for b in assess_fleet(fleet, NOW_S, 0, 90).boats}["gannet"]
        assert listed.standing is standing
        told = f"intake-filter due since {iso(due)[:10]}"
        assert listed.reason.startswith(told) == (standing is Standing.SERVICE), listed.reason


def test_files_of_another_version_are_refused_by_name(fleet):
    assess_fleet(fleet, NOW_S, 0, 90)
    old, new = fleet.boats()[:2]
    # Its log is gone, so what an earlier version made of it cannot be made anew.
    (old / "log.db").unlink()
    kept = json.loads((old / "result.json").read_text())
    (old / "result.json").write_text(json.dumps({"schema": "ebbwatt/fleet-result/1",
                                                 "document": kept["document"]}))  # fmt: skip
    later = kept["document"] | {"schema": "ebbwatt/assessment/9"}
    (new / "document.json").write_text(json.dumps(later))
    seen = {b.key: b for b in assess_fleet(fleet, NOW_S, 0, 90).boats}
    assert seen[old.name].standing is Standing.NOT_ASSESSED
    assert seen[old.name].reason == (
        "result.json: 'schema' is 'ebbwatt/fleet-result/1'; accepted: 'ebbwatt/fleet-result/5'. "
        "Hand in the boat's log again"
    )
    assert seen[new.name].facts is not None, "her own log still counts"
    assert seen[new.name].failure == (
        "document.json: 'schema' is 'ebbwatt/assessment/9'; accepted: 'ebbwatt/assessment/1', as "
        "'ebbwatt report --json FILE' writes"
    )


def test_no_figure_of_the_page_parts_from_its_unit(fleet):
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    page = fleet_page(listed, "fleet", "0.1.0")
    assert "below the replacement" in page
    reasons = re.findall(r"<bdi>([^<]*\d.% of rated[^<]*)</bdi>", page)
    assert reasons
    for reason in reasons:
        assert not re.search(r"\d (?:%|h\b|W\b)", reason), reason


def test_a_boats_own_report_tells_her_days_and_the_fleet_page_its_own(fleet, tmp_path, capsys):
    first, *others = fleet.boats()
    with (first / "boat.toml").open("a") as file:
        file.write('\n[boat]\ntimezone = "Pacific/Auckland"\n')
    page = tmp_path / "fleet.html"
    assert (
        cli.main(["fleet", "report", str(fleet.path), "--workers", "0", "--html", str(page)]) == 0
    )
    assert "UTC+12:00" in (first / "report.html").read_text()
    assert not any("UTC+12:00" in (other / "report.html").read_text() for other in others)
    assert "UTC+12:00" not in page.read_text()
    capsys.readouterr()


def test_a_boats_date_is_the_same_on_every_page(fleet):
    """Her limit falls on another day in her own zone: fleet and boat tell her own day."""
    first = next(b for b in fleet.boats() if '"gannet"' in (b / "boat.toml").read_text())
    with (first / "boat.toml").open("a") as file:
        file.write('\n[boat]\ntimezone = "Pacific/Kiritimati"\n')
    assess_fleet(fleet, NOW_S, 0, 90)
    kept = json.loads((first / "result.json").read_text())
    left = kept["document"]["remaining"]
    for end, day in (("low", 1), ("median", 10), ("high", 20)):
        # One in the morning of the next day on that island.
        left["date"][end] = f"2027-03-{day:02}T11:00:00Z"
        left["hours"][end] = 100.0 * day
    (first / "result.json").write_text(json.dumps(kept))
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    page = fleet_page(listed, "fleet", "0.1.0").replace("\N{NO-BREAK SPACE}", " ")
    told = "hours left 1000 h (100 to 2000 h), about 2027-03-11"
    assert told in re.sub(r"<[^>]*>", "", page)
    (row,) = [r for r in csv.DictReader(table(listed).splitlines()) if r["boat"] == "gannet"]
    assert row["date"] == "2027-03-11"
    (boat,) = [b for b in document(listed)["boats"] if b["boat"] == "gannet"]
    assert boat["remaining_date"] == {"low": "2027-03-02", "median": "2027-03-11",
                                      "high": "2027-03-21"}  # fmt: skip


def test_fuel_of_a_type_is_the_sum_of_its_boats(fleet):
    assess_fleet(fleet, NOW_S, 0, 90)
    # By hand: half intervals of 30 and 40 L add up to 50 as independent errors do.
    for boat, litres in zip(fleet.boats(), ([70, 100, 130], [160, 200, 240], None, None),
                            strict=True):  # fmt: skip
        kept = json.loads((boat / "result.json").read_text())
        kept["litres_per_year"] = litres
        (boat / "result.json").write_text(json.dumps(kept))
    (group,) = assess_fleet(fleet, NOW_S, 0, 90).groups
    fuel = group.fuel
    assert fuel.boats == 2
    told = (fuel.litres.low, fuel.litres.median, fuel.litres.high)
    assert told == pytest.approx((250, 300, 350), abs=3)
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    assert "2 of 4" in fleet_page(listed, "fleet", "0.1.0")
    row = r"Fuel a year, 2 boats: (\d+) L \((\d+) to (\d+) L\)"
    middle, low, high = map(float, re.search(row, "\n".join(lines(listed, 80))).groups())
    assert (low, middle, high) == pytest.approx(told, rel=0.01)


def test_the_middle_of_the_fuel_of_many_boats_that_may_be_laid_up_lies_below_their_medians(fleet):
    assess_fleet(fleet, NOW_S, 0, 90)
    # Each was logged for part of a year: 100 L if she goes on so, but she may be laid up. By hand,
    # in quarters of a litre: half of her chances at 100 L, half of them half normal below.
    one = np.exp(-0.5 * ((np.arange(401) / 4 - 100) / (50 / 1.645)) ** 2)
    one *= 0.5 / one.sum()
    one[-1] += 0.5
    two = np.convolve(one, one)
    low, middle = np.searchsorted(np.cumsum(np.convolve(two, two)), (0.05, 0.5)) / 4
    for boat in fleet.boats():
        kept = json.loads((boat / "result.json").read_text())
        kept["litres_per_year"] = [50, 100, 100]
        (boat / "result.json").write_text(json.dumps(kept))
    litres = assess_fleet(fleet, NOW_S, 0, 90).groups[0].fuel.litres
    assert litres.median == pytest.approx(middle, abs=2)
    assert litres.low == pytest.approx(low, abs=3)
    assert litres.high == pytest.approx(400.0)
    assert middle < 360
    # One boat is told as she is.
    for boat in fleet.boats()[1:]:
        kept = json.loads((boat / "result.json").read_text())
        kept["litres_per_year"] = None
        (boat / "result.json").write_text(json.dumps(kept))
    litres = assess_fleet(fleet, NOW_S, 0, 90).groups[0].fuel.litres
    assert (litres.low, litres.median, litres.high) == (50, 100, 100)


def test_two_commands_do_not_meet(fleet, capsys):
    with fleet.held():
        assert cli.main(["fleet", "report", str(fleet.path), "--workers", "0"]) == 1
    assert "another 'ebbwatt fleet'" in capsys.readouterr().err


def test_the_page_is_self_contained_and_escapes_what_boats_say(fleet):
    listed = assess_fleet(fleet, NOW_S, 0, 90)
    page = fleet_page(listed, "<i>my</i> fleet", "0.1.0")
    outline = Outline(page)
    assert not outline.open
    assert outline.headings[0] == 1
    assert {"script", "img", "link", "i", "b"}.isdisjoint(outline.tags)
    assert "&lt;b&gt;skua&lt;/b&gt;" in page
    assert "http" not in page.replace("http-equiv", "")
    assert page.index("razorbill") < page.index("gannet")
    # One small plot for each boat whose output is known, one plot of the demand.
    known = [b for b in listed.boats if b.facts.course]
    assert page.count('id="fade-') == 2 * len(known)
    assert page.count('id="demand-') == 2
