"""The demonstration: the whole chain from readings to a verdict, against the simulated truth."""

import json
import os
import pickle
import re
import sqlite3
import subprocess
import sys
from functools import partial
from types import SimpleNamespace

import pytest

from analysis.demo import DAYS, FITTED, LEAVES, SEED, make_folder
from logger.config import load_config
from logger.errors import UsageError
from logger.sources.boat.course import lay_out
from logger.sources.simulated import build
from tests.conftest import LONG, ROOT, unmeasured
from tests.support.screens.browser import browse

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def run_ebbwatt(run_ebbwatt):
    """Years of log take three times as long where coverage is measured; small boats measure it."""
    return partial(run_ebbwatt, measured=False)


@pytest.fixture(scope="module")
def demo(demonstration):
    return demonstration


def test_it_leaves_everything_to_try_the_other_commands_on(demo):
    folder, done = demo
    # A reader may leave SQLite's own -wal and -shm beside the database.
    assert {re.sub("-(wal|shm)$", "", path.name) for path in folder.iterdir()} == set(LEAVES)
    for name in LEAVES:
        assert str(folder / name) in done.stdout
    assert "Dabchick" in done.stdout
    assert done.stderr == "", "no progress bar where there is no terminal"


INSTRUCTIONS = (
    "Wiring, fuses, ventilation, exhaust: the maker's instructions and local codes decide"
)
AUDIT = ("--audit", ROOT / "fixtures/audit.csv")
CANDIDATES = ("--candidates", ROOT / "fixtures/candidates.toml")
CAUTIONS = {
    ("load",): None,
    ("fuel",): "CAUTION: exhaust goes outboard",
    ("fuel", "--days", "21"): "Sealed containers only; never decant below deck",
    ("size",): INSTRUCTIONS,
    ("size", *AUDIT): INSTRUCTIONS,
    ("size", *AUDIT, *CANDIDATES): INSTRUCTIONS,
    ("fitting",): "CAUTION: a battery can deliver thousands of amperes",
}
#: What is looked at on a wide screen here, for its table; in ``make soak`` it is each.
WIDE = (("size", *AUDIT, *CANDIDATES),)
ON_SCREENS = [
    *((command, "80") for command in CAUTIONS),
    *((command, "120") for command in (CAUTIONS if LONG else WIDE)),
]


@pytest.mark.parametrize(("command", "width"), ON_SCREENS)
def test_each_answer_fits_one_screen_with_its_caution(asked, command, width):
    shown = asked(*command, width=width)
    # One line of 24 is the prompt's.
    assert len(shown.splitlines()) <= 23
    assert max(map(len, shown.splitlines())) <= int(width)
    caution = CAUTIONS[command]
    assert caution is None or caution in " ".join(shown.split())


def test_programs_find_the_published_keys(asked):
    load, fuel, size = (json.loads(asked(name, "--json")) for name in ("load", "fuel", "size"))
    span = {"low", "median", "high"}
    for unit in ("ah_per_day", "wh_per_day"):
        assert set(load[unit]) == {"mean", "p90", "p95"} | span
        assert all(value > 0.0 for value in load[unit].values())
    assert load["days_used"] > 200
    assert {"other_source", "gap"} <= set(load["days_left_out"])
    assert set(fuel["l_per_kwh"]) == {"estimate", "low", "high"}
    for key in ("litres_left", "days_left", "containers_per_year"):
        assert set(fuel[key]) == span
        assert fuel[key]["low"] <= fuel[key]["median"] <= fuel[key]["high"]
    published = {"label", "rated_w", "days_carried_new", "days_carried_end", "hours_per_year",
                 "years", "litres_per_year"}  # fmt: skip
    assert len(size["candidates"]) >= 4
    assert all(published <= set(one) for one in size["candidates"])
    assert size["recommended"] in {one["label"] for one in size["candidates"]}
    assert len(size["reasons"]) >= 3


def test_a_reason_says_of_which_hours_it_speaks(asked):
    shown = " ".join(asked("fitting").split())
    assert "- loop resistance, latest: 2 of 3 starts or stops seen" in shown
    assert "- loop resistance, first: only an upper end: between readings 60 s apart" in shown
    assert "- battery voltage: the log holds" in shown


def test_the_assessment_agrees_with_the_simulated_truth(demo):
    folder, _ = demo
    document = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))
    assert document["schema"] == "ebbwatt/assessment/1"
    assert document["verdict"] == "plan", "a replacement is near but not yet due"
    config = load_config(folder / "ebbwatt.toml")
    model = build(config).voyage.model
    course = lay_out(model.charger, SEED)
    runtime_h = document["output"]["at_runtime_h"]
    truth = course[round(runtime_h)]
    assert document["output"]["fraction"] == pytest.approx(truth, abs=0.02)
    assert document["output"]["low"] < document["output"]["fraction"] < document["output"]["high"]
    # When the true course falls below the limit for good (no run of hours above it follows).
    limit = config.charger.replace_below
    crossing_h = max(h for h, fraction in enumerate(course) if fraction >= limit) + 1
    left_h = crossing_h - runtime_h
    assert document["remaining"]["until"] == "output"
    hours = document["remaining"]["hours"]
    assert 0.9 * hours["low"] <= left_h <= 1.1 * hours["high"]


#: Lets the simulated boat live, and writes what only the simulator knows of her life.
LIVES = """\
import pickle, sys
from pathlib import Path
from logger.config import load_config
from logger.sources.simulated import build
voyage = build(load_config(Path(sys.argv[1]))).voyage
for _ in voyage.readings(days=float(sys.argv[2])):
    pass
names = ("days", "course", "hours", "fuel_l")
told = {name: getattr(voyage, name) for name in names} | {"charger": voyage.model.charger}
sys.stdout.buffer.write(pickle.dumps(told))
"""


@pytest.fixture(scope="module")
def lived(demo):
    """Her life once more, as the simulator knows it."""
    folder, _ = demo
    charger = load_config(folder / "ebbwatt.toml").charger
    # The configuration goes on where the log ends; this one begins when the charger was fitted.
    text = (folder / "ebbwatt.toml").read_text(encoding="utf-8")
    begun = folder.parent / "begun.toml"
    life = f"[source]\nkind = 'simulated'\nseed = {SEED}\nspeed = 0\nstart = {charger.fitted}\n"
    life += f"days = {DAYS}\nrest_spacing_s = 300\nloss_per_1000h = 0.078\n"
    begun.write_text(text.partition("[source]")[0] + life, encoding="utf-8")
    # In a child that is not measured for coverage, with which it takes four times as long.
    done = subprocess.run(
        [sys.executable, "-c", LIVES, str(begun), str(DAYS)], env=unmeasured(os.environ), cwd=ROOT,
        stdout=subprocess.PIPE, check=True,
    )  # fmt: skip
    return SimpleNamespace(**pickle.loads(done.stdout))


def test_load_and_fuel_agree_with_the_simulated_truth(lived, asked):
    load = json.loads(asked("load", "--json"))["ah_per_day"]
    late = lived.days[-1].start_s - 730 * 86400.0
    alone = [
        day.load_ah
        for day in lived.days[1:-1]
        if day.kind != "laid_up" and day.fed_h == 0.0 and day.start_s >= late
    ]
    truth = sum(alone) / len(alone)
    assert load["mean"] == pytest.approx(truth, rel=0.04)
    assert load["low"] < truth < load["high"]
    fuel = json.loads(asked("fuel", "--json"))
    charger = lived.charger
    use = charger.l_per_kwh * charger.new_fraction / lived.course[round(lived.hours)]
    assert fuel["l_per_kwh"]["estimate"] == pytest.approx(use, rel=0.03)
    assert fuel["l_per_kwh"]["low"] < use < fuel["l_per_kwh"]["high"]
    assert fuel["litres_left"]["low"] < lived.fuel_l < fuel["litres_left"]["high"]


def test_figures_of_the_document_are_those_of_the_database(demo):
    folder, _ = demo
    observed = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))["observed"]
    connection = sqlite3.connect(folder / "ebbwatt.db")
    energy_mj, charge_mc = connection.execute(
        "SELECT sum(energy_mj), sum(charge_mc) FROM intervals"
    ).fetchone()
    connection.close()
    assert observed["energy_kwh"] == pytest.approx(energy_mj / 3.6e9, rel=1e-3)
    assert observed["charge_ah"] == pytest.approx(charge_mc / 3.6e6, rel=1e-3)
    assert observed["from"].startswith(str(FITTED))


def test_the_report_command_works_there_at_once(demo, run_ebbwatt):
    folder, _ = demo
    done = run_ebbwatt("report", "--config", folder / "ebbwatt.toml", "--json", "-")
    left = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))
    assert json.loads(done.stdout) == left


def test_check_calls_it_good_whether_or_not_it_names_the_spacing(demo, run_ebbwatt):
    folder, _ = demo
    assert "spacing" not in run_ebbwatt("check", cwd=folder).stdout
    text = (folder / "ebbwatt.toml").read_text(encoding="utf-8")
    assert "interval_s" not in text, "found live"
    for interval_s, said in ((60, ""), (300, ""), (1, "interval_s = 60 in [log]")):
        named = folder.parent / "named.toml"
        named.write_text(
            text.replace('path = "ebbwatt.db"', f"path = '{folder / 'ebbwatt.db'}'")
            + f"\n[log]\ninterval_s = {interval_s}\n",
            encoding="utf-8",
        )
        done = run_ebbwatt("check", named, cwd=folder, status=1 if said else 0)
        assert said in done.stdout


def test_the_page_needs_nothing_from_outside(demo):
    folder, _ = demo
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<svg" in page
    assert "<script" not in page
    assert not re.search(r"""(src|href)\s*=\s*["'](https?:)?//""", page)


def printed(page, work, program):
    """Print a page on paper; return the number of its pages, their size, and the words on them."""
    program("chromium", "chromium")
    pdfinfo, pdftotext = (program(name, "poppler-utils") for name in ("pdfinfo", "pdftotext"))
    paper = work / "paper.pdf"
    done = browse(
        page, work, "--enable-logging=stderr", "--no-pdf-header-footer", f"--print-to-pdf={paper}"
    )
    assert "CONSOLE" not in done.stderr
    told = subprocess.run([pdfinfo, paper], capture_output=True, text=True, check=True).stdout
    words = subprocess.run([pdftotext, paper, "-"], capture_output=True, text=True, check=True)
    pages = int(re.search(r"Pages:\s+(\d+)", told)[1])
    return pages, re.search(r"\((A\d)\)", told)[1], " ".join(words.stdout.split())


def test_its_report_prints_on_three_pages_and_in_full_with_the_plot_of_the_load(
    demo, program, run_ebbwatt, tmp_path
):
    folder, _ = demo
    pages, size, words = printed(folder / "report.html", tmp_path, program)
    assert (pages, size) == (3, "A4")
    for part in ("Recommended next action", "licensed person", "owner's signature"):
        assert part in words
    assert "mean Ah a day by month" not in words
    full = tmp_path / "full.html"
    run_ebbwatt("report", "--full", "--html", full, cwd=folder)
    assert "mean Ah a day by month" in printed(full, tmp_path, program)[2]


def test_its_commissioning_record_is_one_page(demo, program, run_ebbwatt, tmp_path):
    folder, _ = demo
    record = tmp_path / "record.html"
    run_ebbwatt("report", "--commissioning", record, cwd=folder)
    pages, size, words = printed(record, tmp_path, program)
    assert (pages, size) == (1, "A4")
    assert "owner's signature" in words
    fitted = load_config(folder / "ebbwatt.toml").charger.fitted
    assert words.count(f"Jo Marten, {fitted}") == 7


def test_an_earlier_demonstration_is_replaced_but_nothing_else(tmp_path):
    folder = tmp_path / "mine"
    make_folder(folder)
    (folder / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    with pytest.raises(UsageError, match="no demonstration"):
        make_folder(folder)
    first_line = "# The seabird-survey ketch Dabchick and her 110 W charger: both are invented.\n"
    (folder / "ebbwatt.toml").write_text(first_line)
    make_folder(folder)
    assert list(folder.iterdir()) == []
    (folder / "letters.txt").write_text("keep me")
    with pytest.raises(UsageError, match="letters"):
        make_folder(folder)
    assert (folder / "letters.txt").read_text() == "keep me"
    with pytest.raises(UsageError, match="is a file"):
        make_folder(folder / "letters.txt")


def test_a_senseless_length_names_what_is_accepted(ebbwatt, tmp_path):
    done = ebbwatt("demo", "--out", tmp_path / "x", "--days", "never", status=2)
    assert "a whole number from 1 to 4000" in done.stderr
