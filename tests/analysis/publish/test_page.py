"""The owner's page: figures that agree with the log, and a page that stands still is evident."""

import re
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, date

import pytest

from analysis.figures import iso
from analysis.inputs.meters import MEASURE
from analysis.publish import page_target
from analysis.publish.page import POLICY, page
from analysis.publish.page_target import Page
from analysis.publish.recent import Recent, read_recent
from logger.config import load_config
from logger.errors import EbbwattError
from tests.conftest import unmeasured
from tests.support.outward import DOCUMENT, facts, silent
from tests.support.screens.browser import browse

NOW_S = 1_764_400_060.0
RECENT = Recent(
    tuple((NOW_S - 86400.0 + 600.0 * k, 12.6 + 0.005 * k) for k in range(144)),
    tuple((date(2025, 11, 23 + k), None if k == 2 else 0.1 * k) for k in range(7)),
    longest_s=600.0,
)


def made(which=facts, **more):
    return page(which(), RECENT, None, NOW_S, 0.6, **more)


def test_the_top_line_says_state_watts_and_volts():
    assert '<p class="now">Producing, 56 W, 13.31 V</p>' in made()
    assert '<p class="now">No reading now</p>' in made(silent)
    assert "59 s old" in made(silent)


def test_both_times_are_written_out_so_that_a_frozen_page_is_evident(monkeypatch):
    monkeypatch.setenv("TZ", "Europe/Lisbon")
    time.tzset()
    try:
        text = made()
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "Reading of 2025-11-29 07:06:40 UTC" in text
    assert "Page made 2025-11-29 07:07:40 UTC" in text
    assert "the page is out of date" in text


#: What the log knew at its end: fuel for 12 days, a limit 200 days ahead.
FUEL = {
    "litres_left": {"low": 3.0, "median": 4.0, "high": 5.0},
    "days_left": {"low": 9.0, "median": 12.0, "high": 15.0},
}


@pytest.mark.parametrize("ended_d", [2.0, 10.0, 60.0, 446.0])
def test_no_figure_is_older_than_the_page_says(ended_d):
    end_s = NOW_S - ended_d * 86400.0
    recent = replace(RECENT, voltage=(), end_s=end_s)
    document = DOCUMENT | {
        "observed": {"to": iso(end_s)},
        "remaining": {
            "hours": {"median": 470.0}, "date": {"median": iso(end_s + 200 * 86400.0)[:10]},
        },
    }  # fmt: skip
    off = replace(facts(), snapshot=None, reading=None, reading_s=None, document=document)
    shown = re.sub(r"<[^>]*>", "", page(off, recent, FUEL, NOW_S, 0.6)).replace("\xa0", " ")
    end_day = iso(end_s)[:10]
    assert f"The log ended {ended_d:.0f} d ago: {end_day}" in shown
    assert f"as of {end_day}" in shown
    if ended_d <= 12.0:
        assert f"About 4.0 L (3.0 to 5.0 L) left, as of {end_day}, for 12 days" in shown
    else:
        assert "4.0 L" not in shown
        assert "12 days" not in shown
        assert "longer than this fuel lasts" in shown
    assert ("remaining 470 h" in shown) == (ended_d <= 30.0)


def test_no_line_bridges_hours_in_which_nothing_was_logged():
    def paths(voltage):
        text = page(facts(document=None), replace(RECENT, voltage=voltage), None, NOW_S, 0.6)
        return len(re.findall(r'<path[^>]*class="curve"', text))

    whole = RECENT.voltage
    assert paths(whole) == 1
    assert paths((*whole[:50], *whole[100:])) == 2


@pytest.mark.parametrize(
    ("rest_s", "running_s"), [(600, 60), (600, 10), (1200, 60), (3600, 60), (3600, 10)]
)
def test_the_line_begins_where_the_log_does_whatever_its_intervals(rest_s, running_s):
    # Four hours of rest, then twenty of running, a point in the middle of each interval.
    begin_s = NOW_S - 86400.0
    times = [begin_s + rest_s * (k + 0.5) for k in range(4 * 3600 // rest_s)]
    times += [begin_s + 14400.0 + running_s * (k + 0.5) for k in range(20 * 3600 // running_s)]
    day = replace(RECENT, voltage=tuple((t, 12.8) for t in times), longest_s=float(rest_s))
    text = page(facts(document=None), day, None, NOW_S, 0.6)
    (line,) = re.findall(r'<path[^>]*class="curve"[^>]*>', text)
    first, *_, last = (float(x) for x in re.findall(r"[ML](-?[0-9.]+) ", line))
    left, right = 34.0, 336.0
    at = [left + (right - left) * (t - begin_s) / 86400.0 for t in (times[0], times[-1])]
    assert (first, last) == pytest.approx(at, abs=0.2)
    assert line.count("L") < 500, "more points than pixels of a phone"


def plot_of(name, text):
    """Return a plot by its name, and what tells the value at a height from its grid."""
    (plot,) = re.findall(rf'<svg[^>]*aria-labelledby="{name}-t.*?</svg>', text, re.DOTALL)
    grid = re.findall(
        r'class="grid" d="M34 ([0-9.]+)L336 [0-9.]+"/><text [^>]*>([0-9.]+)</text>', plot
    )
    (low_y, low), (high_y, high) = (tuple(map(float, grid[k])) for k in (0, -1))
    return plot, lambda at: low + (high - low) * (at - low_y) / (high_y - low_y)


def test_each_day_has_a_bar_of_its_energy_and_one_without_a_log_a_question_mark():
    plot, value = plot_of("energy", made())
    bars = [
        tuple(map(float, bar))
        for bar in re.findall(
            r'<rect class="bar" x="([0-9.]+)" y="([0-9.]+)" width="([0-9.]+)" height="([0-9.]+)"',
            plot,
        )
    ]
    days = re.findall(r'x="([0-9.]+)" y="127" text-anchor="middle">(\w{3})<', plot)
    assert [name for _, name in days] == ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"]
    # The width of the plot, 34 to 336, in seven equal parts.
    middles = [34.0 + 302.0 * (k + 0.5) / 7.0 for k in range(7)]
    assert [float(x) for x, _ in days] == pytest.approx(middles, abs=0.1)
    places = [float(x) for x, name in days if name != "Tue"]
    assert [x + width / 2.0 for x, _, width, _ in bars] == pytest.approx(places, abs=0.1)
    assert [value(y) for _, y, _, _ in bars] == pytest.approx(
        [0.0, 0.1, 0.3, 0.4, 0.5, 0.6], abs=2e-3
    )
    assert [value(y + height) for _, y, _, height in bars] == pytest.approx([0.0] * 6, abs=2e-3)
    (unknown,) = re.findall(r'x="([0-9.]+)" [^>]*>[?]<', plot)
    assert float(unknown) == pytest.approx(float(days[2][0]))


def test_the_course_of_the_output_stands_against_the_replacement_limit():
    plot, value = plot_of("health", made())
    (line,) = re.findall(r'class="limit" d="M34 ([0-9.]+)L336 ([0-9.]+)"', plot)
    assert [value(float(y)) for y in line] == pytest.approx([60.0, 60.0], abs=0.2)
    (label,) = re.findall(r'y="([0-9.]+)" [^>]*>replacement limit 60 %<', plot)
    assert float(line[0]) < float(label) < float(line[0]) + 20.0, "just below its line"
    curve = re.search(r'class="curve" d="M([^"]+)"', plot)[1].split("L")
    points = [tuple(map(float, point.split())) for point in curve]
    assert [value(y) for _, y in points] == pytest.approx([101.0, 85.0, 64.0], abs=0.2)
    assert points[1][0] == pytest.approx(34.0 + 302.0 * 2000.0 / 4606.0, abs=0.1)


def test_an_output_that_is_only_known_from_below_says_so():
    document = DOCUMENT | {"output": {"fraction": None, "low": 0.64, "high": None}}
    shown = re.sub(r"<[^>]*>", "", made(lambda: facts(document=document))).replace("\xa0", " ")
    assert "gives at least 64 % of its rated output" in shown


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        ({"low": 369.3, "median": 496.4, "high": 648.0},
         "remaining 500 h (370 to 650 h), about 2026-04"),
        ({"low": 740.0, "median": None, "high": None}, "remaining at least 740 h"),
        ({"low": 0.0, "median": 0.0, "high": 0.0}, "no hours remain"),
        ({"low": 0.0, "median": 0.0, "high": 90.0}, "remaining 0 to 90 h"),
        ({"low": 0.0, "median": 0.0, "high": None}, "a limit may be reached already"),
    ],
)  # fmt: skip
def test_output_and_hours_stand_there_as_on_the_dashboard(hours, said):
    """The same digits as elsewhere, and how sure they are: not 64 % here and 63.8 % there."""
    date = {"low": "2025-12-20T00:00:00Z", "median": "2026-04-17T00:00:00Z",
            "high": "2026-06-18T00:00:00Z"}  # fmt: skip
    document = DOCUMENT | {
        "output": {"fraction": 0.63845, "low": 0.61481, "high": 0.66209},
        "observed": {"to": "2025-11-29T07:00:00Z"},
        "remaining": {"hours": hours, "date": date},
    }
    page_ = made(lambda: facts(document=document))
    shown = re.sub(r"<[^>]*>", "", page_).replace("\xa0", " ")
    assert "gives 63.8 % (61.5 to 66.2 %) of its rated output" in shown
    assert said in " ".join(shown.split())


def test_the_owner_is_asked_for_meters_where_the_assessment_asks_for_them():
    asked = "Before you order, measure current and voltage in a steady run"
    with_it = DOCUMENT | {"advice": ["Log more.", MEASURE]}
    assert asked in made(lambda: facts(document=with_it))
    for document in (DOCUMENT, DOCUMENT | {"advice": ["Log more."]}, DOCUMENT | {"advice": 3}):
        assert asked not in made(lambda document=document: facts(document=document))


def test_nothing_is_loaded_and_nothing_runs():
    text = made(report="report.html")
    assert POLICY in text
    assert "<script" not in text
    assert not re.search(r"""(src|url)\s*[=(]""", text)
    assert re.findall(r'href="([^"]*)"', text) == ["report.html"]


def test_a_hostile_label_is_text():
    text = page(facts(label="<script>alert(1)</script>"), None, None, NOW_S, 0.6)
    assert "<script" not in text


def test_the_title_is_the_label_without_elements():
    (title,) = re.findall(r"<title>([^\n]*)</title>\n", page(facts(), None, None, NOW_S, 0.6))
    assert title == facts().label
    text = page(facts(label="a <b> & c"), None, None, NOW_S, 0.6)
    assert "<title>a &lt;b&gt; &amp; c</title>" in text


@pytest.mark.parametrize(("low_d", "is_low"), [(2.9, True), (3.0, False)])
def test_fuel_that_may_end_within_three_days_is_called_low_as_on_the_dashboard(low_d, is_low):
    fuel = FUEL | {"days_left": {"low": low_d, "median": 12.0, "high": 15.0}}
    assert ("<strong>LOW: </strong>" in page(facts(), RECENT, fuel, NOW_S, 0.6)) == is_low


def test_a_day_without_a_log_is_no_zero():
    assert ">?</text>" in made()
    assert "Today 600 Wh, seven days 1.90 kWh" in made()


def test_the_week_is_the_sum_of_the_stored_intervals(tmp_path, ebbwatt):
    # By hand: 60 W for an hour on each of three days, 60 Wh each; 12 V x 5 A.
    begin = 1_764_331_200.0  # 2025-11-28 12:00 UTC
    rows = [
        f"{begin - 86400.0 * day + 60.0 * k:.0f},12.0,5.0,running"
        for day in (2, 1, 0)
        for k in range(61)
    ]
    (tmp_path / "log.csv").write_text("\n".join(["time,voltage_v,current_a,state", *rows]) + "\n")
    (tmp_path / "ebbwatt.toml").write_text(
        "[charger]\nlabel = 'x'\nrated_w = 110\n[log]\ninterval_s = 60\n"
    )
    ebbwatt("import", "log.csv", cwd=tmp_path)
    path = load_config(tmp_path / "ebbwatt.toml").store.path
    week = read_recent(path, begin + 7200.0, UTC)
    assert [d.isoformat() for d, _ in week.energy_kwh][-1] == "2025-11-28"
    assert [k for _, k in week.energy_kwh[:4]] == [None] * 4
    assert [k for _, k in week.energy_kwh[4:]] == pytest.approx([0.06] * 3, rel=1e-6)
    assert {v for _, v in week.voltage} == {12.0}


def test_it_needs_no_numpy(child_env):
    code = (
        "import analysis.publish.page_child, analysis.publish.signalk, sys; "
        "print([m for m in ('numpy', 'pandas', 'scipy', 'rich') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=child_env, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("width", [360, 1200])
def test_a_browser_shows_it_without_a_word_of_complaint(program, tmp_path, width):
    chromium = program("chromium", "chromium")
    path = tmp_path / "index.html"
    path.write_text(made(), encoding="utf-8")
    wanted = ("--enable-logging=stderr", f"--window-size={width},900", "--dump-dom")
    done = browse(path, tmp_path, *wanted, program=chromium)
    assert "CONSOLE" not in done.stderr


def configured(folder, text=""):
    path = folder / "ebbwatt.toml"
    path.write_text(
        "[charger]\nlabel = 'aft locker'\nrated_w = 110\n[publish.page]\nfolder = 'out'\n" + text
    )
    (folder / "out").mkdir()
    return load_config(path)


def test_a_child_makes_the_page_and_the_publisher_loads_nothing_of_it(tmp_path, child_env):
    configured(tmp_path)
    code = (
        "import sys, pathlib; from analysis.publish.page_target import Page; "
        "from logger.config import load_config; "
        "Page(load_config(pathlib.Path('ebbwatt.toml'))).send(None); "
        "print([m for m in ('sqlite3', 'html', 'analysis.publish.page') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        # A child whose coverage is measured loads sqlite3 for that.
        env=unmeasured(child_env) | {"RUNTIME_DIRECTORY": str(tmp_path / "run")},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[]"
    assert "Not logging" in (tmp_path / "out" / "index.html").read_text()


def test_a_page_that_cannot_be_written_is_told_in_one_line(tmp_path):
    config = configured(tmp_path)
    (tmp_path / "out" / "index.html").write_text("somebody's own page")
    with pytest.raises(EbbwattError) as error:
        Page(config).send(None)
    assert "index.html" in str(error.value)
    assert "\n" not in str(error.value)
    assert (tmp_path / "out" / "index.html").read_text() == "somebody's own page"


def test_the_fuel_comes_from_the_command_and_reaches_the_page(tmp_path, monkeypatch):
    config = configured(tmp_path, "[fuel]\ncontainer_l = 10\n")
    asked = []

    def run(command, given, _takes_s):
        asked.append((command[4:] if "fuel" in command else "page", given))
        return subprocess.CompletedProcess(command, 0, b'{"left": 1}', b"")

    monkeypatch.setattr(page_target, "run_child", run)
    target = Page(config)
    target.send(None)
    target.send(None)
    assert [which for which, _ in asked][1:] == ["page", "page"], "not again for hours"
    assert asked[0][0] == ["fuel", "--json", "--config", str(config.path)]
    assert [given for which, given in asked if which == "page"] == [b'{"left": 1}'] * 2
