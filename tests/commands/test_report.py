"""What the technician hands over: summary, page, document, comparison; outside text harmless."""

import itertools
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from analysis.assessment.document import Reason, Step, json_text
from analysis.assessment.step_causes import STEP
from analysis.estimate import Span
from analysis.inputs.finding import Finding, Severity
from analysis.inputs.gain import GAIN_DRIFT
from analysis.show.comparison import compare, read_document
from analysis.show.inputs import CHECKS
from analysis.show.page.identity import Identity
from analysis.show.page.report.page import page, write_page
from analysis.show.screen.summary import MOST_LINES, summary
from analysis.show.verdict_words import VERDICT_SIGNS
from analysis.show.wrapping import wrap_plain
from logger.errors import EbbwattError
from logger.event import Event
from logger.store.files import prepare
from tests.conftest import ROOT
from tests.support import scenes
from tests.support.configurations import AFT_LOCKER
from tests.support.pages import MADE_S, SCENES, Outline, earlier, matter


@pytest.mark.parametrize("name", SCENES)
def test_the_page_is_well_formed_ordered_and_needs_nothing_from_outside(name):
    text = page(matter(name, scenes.events()))
    outline = Outline(text)
    assert outline.open == []
    assert outline.headings[0] == 1
    assert outline.headings.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(outline.headings, outline.headings[1:], strict=False))
    assert "script" not in outline.tags
    assert "link" not in outline.tags
    assert not [k for k, _ in outline.attributes if k.startswith("on")]
    assert not [v for k, v in outline.attributes if k in {"src", "href"} and v[:1] != "#"]
    assert "lang" in dict(outline.attributes)
    titles = re.findall(r"<h2[^>]*>([^<]+)", text)
    expected = [
        "Available output",
        "Recommended next action",
        "What was used and what was left out",
    ]
    assert [t for t in titles if t in expected] == expected
    folded = re.findall(r"<details[^>]*><summary>([^<]+)", text)
    assert {"Remaining life in figures", "Cautions in full, with their sources"} <= set(folded)
    # The full report is the same with every part of the appendix open.
    full = page(replace(matter(name, scenes.events()), full=True))
    assert full.replace(' open=""><summary>', "><summary>") == text
    (link,) = {v for k, v in outline.attributes if k == "href"}
    assert f'id="{link[1:]}"' in text, "the words are explained where the link leads"
    for last in ("Method in short", "Cautions", "How to check it by hand"):
        assert last in titles


def test_plots_have_a_text_alternative_and_tables_their_headers():
    text = page(matter("plan", scenes.events()))
    plots = re.findall(r"<svg[^>]*>", text)
    named = [p for p in plots if 'role="img"' in p]
    assert len(named) >= 4
    assert all("aria-label" in p for p in named)
    assert all('aria-hidden="true"' in p for p in plots if p not in named)
    for table in re.findall(r"<table.*?</table>", text, re.DOTALL):
        assert "<caption>" in table
        assert 'scope="col"' in table


def test_the_plot_shows_rated_limits_fit_band_bounds_steps_and_events():
    text = page(matter("replacement due", scenes.events()))
    for part in (
        "rated 110 W",
        "plan limit 75 %",
        "replacement limit 60 %",
        'class="band"',
        'class="fit"',
        'class="atleast"',
        'class="step"',
        'class="event"',
    ):
        assert part in text, part


def test_fuel_and_ticks_do_not_crowd_out_the_other_events():
    fuel = [Event(100 + k, MADE_S - 86400.0 * k, "fuel", 10.0) for k in range(40)]
    ticks = [Event(200 + k, MADE_S, "check", None, f"fuse, ticked by J{k}") for k in range(6)]
    text = re.sub("<[^>]+>", " ", page(matter("plan", (*scenes.events(), *fuel, *ticks))))
    text = " ".join(text.split())
    assert "fuel 420 L 42 since 2025-07-01" in text
    assert "check 6 since 2026-06-14" in text
    assert "2025-07-22 fuel (struck) 100 L typing error" in text
    for row in ("2022-05-02 service intake filter cleaned", "2024-04-11 renewal fluid renewed"):
        assert row in text
    few = re.sub("<[^>]+>", " ", page(matter("plan", scenes.events())))
    assert "container 31" in few


def test_events_of_fuel_are_strokes_above_the_use_by_season():
    text = page(matter("plan", scenes.events()))
    first, second = re.findall(r'<path class="event fine" d="([^"]+)"', text)
    # Two containers; the third is struck.
    assert (first.count("M"), second.count("M")) == (2, 2), "for the desk and for the phone"
    assert "Strokes above the bars: 2 events of fuel." in text
    assert "strokes" not in page(matter("plan", scenes.hostile_events()))


def test_a_struck_event_is_in_the_table_and_not_in_the_plots():
    wrong = Event(50, MADE_S - 86400.0 * 30, "service", None, "on another boat", struck=True)
    before, after = page(matter()), page(matter("plan", (wrong,)))
    assert "service (struck)" in after
    assert after.count('class="event"') == before.count('class="event"')
    meant = page(matter("plan", (replace(wrong, struck=False),)))
    assert meant.count('class="event"') > before.count('class="event"')


@pytest.mark.parametrize(
    ("name", "absent"),
    [("plan", []), ("only bounds", ["the charger itself set the current</li>", "fit, 90 %",
                                    "forecast, 90 %", "when the replacement limit is met"])],
)  # fmt: skip
def test_the_key_explains_what_is_drawn_and_nothing_else(name, absent):
    key = re.search(r'<ul class="key">.*?</ul>', page(matter(name)))[0].replace("\u00a0", " ")
    for words in ("run left out", "a lower bound", "fit, 90 %", "forecast, 90 %"):
        assert (words in key) == (words not in absent), words
    for words in absent:
        assert words not in key


def test_a_run_left_out_does_not_flatten_the_plot_and_is_counted():
    table = scenes.runs()
    out = np.flatnonzero(~table.used)[:7]
    fraction = table.fraction.copy()
    fraction[out] = 0.05
    usual, made = (
        page(matter("plan")),
        page(matter("plan", run_table=replace(table, fraction=fraction))),
    )
    axis = re.compile(r">(\d+) %<")
    assert set(axis.findall(made)) == set(axis.findall(usual))
    assert made.count(f"{len(out)} runs left out below") == 4


def test_the_first_page_says_whose_charger_it_is_and_leaves_blanks_for_the_pen():
    blank = page(matter())
    assert blank.count('<dd class="blank">') == 5, "vessel, owner, serial, technician, instruments"
    who = Identity("Dabchick", "J. <b>Marten", "INV-27", "Kim", "clamp meter no. 4")
    told = page(replace(matter(), identity=who))
    for part in ("Dabchick", "J. &lt;b&gt;Marten", "INV-27", "Kim", "clamp meter no. 4"):
        assert part in told
    assert 'class="blank"' not in told
    for line in ("technician's signature", "owner's signature"):
        assert line.replace("'", "&#39;") in told


def test_what_failed_of_the_inputs_stands_first_and_asks_the_technician():
    finding = Finding("above_rated", Severity.STOP, None, "It gives 130 % of rated.",
                      "Check the shunt.", "100 %", "130 %")  # fmt: skip
    told = page(matter(inputs=(finding,)))
    checked = told[told.index("What was checked of the inputs") : told.index("next action")]
    assert "<strong>stop:</strong>" in checked
    assert "It gives 130" in checked
    assert "the output is not above rated" not in checked, "it does not count among the sound"
    assert "the current reads zero at rest" in checked
    first, second = re.findall(r'<th scope="row">(\d)</th><td>(.*?)</td><td>(\w+)</td>', told)[:2]
    assert ("Check the shunt" in first[1], first[2]) == (True, "technician")
    assert second[2] == "owner"


def test_every_finding_about_the_inputs_answers_one_of_the_questions():
    codes = set()
    for path in (ROOT / "analysis/inputs").glob("*.py"):
        text = path.read_text(encoding="utf-8")
        codes |= set(re.findall(r'\bFinding\(\s*"([a-z_]+)"|\bcode ?= ?"([a-z_]+)"', text))
    # The two codes that other rooms ask for by name.
    found = {a or b for a, b in codes} | {GAIN_DRIFT, STEP}
    assert len(found) >= 12
    # That somebody held a clamp meter against it is told by itself: no question of each log.
    assert found - {"clamp_checked"} == set().union(*(known for _, known in CHECKS))


def test_no_label_lies_on_a_run_or_on_another_label():
    text = page(matter("replacement due", scenes.events()))
    for plot in re.findall(r'<svg class="wide".*?</svg>', text)[:2]:
        marks = re.findall(r'<path class="(?:seen|atleast|out)" d="([^"]+)"', plot)
        dots = [tuple(map(float, d)) for m in marks for d in re.findall(r"M([\d.]+) ([\d.]+)", m)]
        boxes = []
        for x, y, anchor, words in re.findall(
            r'<text class="lab on" x="([\d.]+)" y="([\d.]+)" text-anchor="(\w+)">([^<]+)', plot
        ):
            # Letters of a common sans-serif font are about half as wide as high (from memory).
            width = 6.0 * len(words)
            left = float(x) - (width if anchor == "end" else 0.0)
            boxes.append((left, float(y) - 9.0, left + width, float(y), words))
        assert len(boxes) >= 5
        for left, top, right, bottom, words in boxes:
            assert not [d for d in dots if left < d[0] < right and top < d[1] < bottom], words
        for one, other in itertools.combinations(boxes, 2):
            assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or (
                other[3] <= one[1]
            ), (one[4], other[4])  # fmt: skip


def test_cautions_stand_in_page_summary_and_help(ebbwatt):
    texts = {
        "page": page(matter()),
        "summary": " ".join(line.text for line in summary(matter())),
        "help": " ".join(ebbwatt("report", "--help").stdout.split()),
    }
    for name, text in texts.items():
        flat = " ".join(re.sub("<[^>]+>", "", text).split())
        for part in (
            "ethanol is toxic by mouth, skin and breath",
            "thousands of amp",
            "licensed person",
            "only reads",
        ):
            assert part in flat, (name, part)


def situations(name):
    """Return a situation as it stands, with an earlier visit, and with texts that never end."""
    plain = matter(name, scenes.events())
    compared = replace(plain, comparison=compare(earlier(), plain.assessment))
    wordy = replace(
        plain.assessment,
        label="船" * 200,
        reasons=tuple(Reason(f"r{k}", "why " * 400) for k in range(9)),
        advice=("do " * 400,) * 9,
        withheld="because " * 200,
        steps=tuple(Step(100.0 * k, scenes.START_S, -0.1, -0.2, 0.0) for k in range(9)),
        left_out={f"{k} {'reason ' * 99}": 1.0 for k in range(9)},
    )
    return plain, compared, replace(plain, assessment=wordy)


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_summary_takes_24_lines_and_the_hint_one_more(name, width):
    for made in situations(name):
        lines = [line.text for line in summary(made, width)]
        assert max(cell_len(line) for line in lines) <= width
        assert len(lines) <= MOST_LINES == 24


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("width", [60, 80, 120])
def test_what_decides_is_never_left_out_of_the_summary(name, width):
    for made in situations(name):
        text = " ".join(" ".join(line.text for line in summary(made, width)).split())
        assert f"[{VERDICT_SIGNS[made.assessment.verdict].strip()}]" in text
        assert "available output" in text if made.comparison else "output" in text
        if made.assessment.runs:
            assert "remaining" in text
        assert " next " in text
        for hazard in ("ethanol is toxic by mouth, skin and breath", "thousands of amperes",
                       "vent hydrogen", "must leave the compartment", "do not open the unit",
                       "only reads", "licensed person"):  # fmt: skip
            assert hazard in text


def test_the_summary_says_more_where_there_is_room():
    said = {w: "\n".join(line.text for line in summary(matter(), w)) for w in (60, 120)}
    assert "sags within a run" in said[120]
    assert "sags within a run" not in said[60]


def test_a_figure_keeps_its_unit_and_wide_letters_count_twice():
    assert wrap_plain("it gives 63.6 % of 110 W", 13) == ["it gives", "63.6 % of", "110 W"]
    assert wrap_plain("in 500 h (380 to 650 h) so", 9) == ["in 500 h", "(380 to", "650 h) so"]
    assert [cell_len(line) for line in wrap_plain("船 " * 6, 8)] == [8, 8]
    assert wrap_plain("", 8) == [""]


def test_the_summary_says_the_verdict_first_and_withholds_with_a_reason():
    text = "\n".join(line.text for line in summary(matter("only bounds")))
    assert "at least 64 %" in text
    assert "Only lower bounds of the output were seen" in " ".join(text.split())
    first = [line.text for line in summary(matter())][:2]
    assert first[1] == "[!] Plan the replacement, as of 2026-06-14"


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("hostile", scenes.HOSTILE)
def test_hostile_texts_are_harmless_in_every_output(name, hostile):
    made = matter(
        name,
        scenes.hostile_events(),
        label=hostile,
        advice=(hostile,),
        withheld=hostile,
        remaining_h=Span(),
        reasons=(Reason("r", hostile),),
        left_out={hostile: 3.0},
    )
    document = earlier() | {"charger": {"label": hostile, "rated_w": 90, "fitted": hostile}}
    made = replace(made, comparison=compare(document | {"verdict": hostile}, made.assessment))
    text = page(made)
    outline = Outline(text)
    assert not {"script", "img"} & set(outline.tags)
    assert not [k for k, _ in outline.attributes if k.startswith("on")]
    assert not any(c in text for c in "\x1b\x07\u202e")
    for width in (60, 120):
        for line in summary(made, width):
            assert all(c.isprintable() for c in line.text)
            assert cell_len(line.text) <= width
    told = json_text(made.assessment)
    assert told.isascii()
    assert all(c.isprintable() or c == "\n" for c in told)
    assert json.loads(told)["charger"]["label"] == hostile, "a program gets what was said"


def test_hostile_texts_are_harmless_from_every_command(ebbwatt, tmp_path):
    # Control characters in a label are refused before anything is done with it.
    label = "[2J<script>alert(1)</script>[red]" + "A" * 3000
    (tmp_path / "ebbwatt.toml").write_text(
        f'[charger]\nlabel = "{label}"\nrated_w = 110\n[fuel]\n[log]\ninterval_s = 30\n'
    )
    words = ("running", "\x1b[31mred\x1b[0m")
    rows = [f"{1700000000 + 30 * k},13.1,8.0,{words[k % 50 == 0]}" for k in range(600)]
    name = "lo\x1b[31mg<b>.csv"
    (tmp_path / name).write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")
    done = [ebbwatt("import", name, cwd=tmp_path)]
    acting = tmp_path / "acting.toml"
    acting.write_text('[charger]\nlabel = "\\u001b[2J\\u0007"\nrated_w = 110\n')
    done.append(ebbwatt("report", "--config", acting, cwd=tmp_path, status=2))
    assert "line 2: charger.label" in done[-1].stderr
    for k, text in enumerate(scenes.HOSTILE):
        done.append(ebbwatt("event", "add", "note", "--text", text[:2000], "--at",
                            f"2023-11-14T2{k % 4}:00:0{k}Z", cwd=tmp_path))  # fmt: skip
    audit = ROOT / "fixtures/audit.csv"
    commands = (
        ["report"], ["report", "--html", "r.html"], ["report", "--json", "-"], ["watch", "--once"],
        ["event", "list"], ["event", "list", "--json"], ["load"], ["load", "--json"], ["fuel"],
        ["fuel", "--json"], ["fitting"], ["check"], ["size", "--audit", audit],
        ["size", "--audit", audit, "--json"],
    )  # fmt: skip
    done += [ebbwatt(*arguments, cwd=tmp_path) for arguments in commands]
    for one in done:
        for line in (one.stdout + one.stderr).splitlines():
            assert all(c.isprintable() for c in line), (one.args, line)
    assert "<script>alert" not in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_the_page_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "report.html"
    write_page(path, matter(), {})
    assert path.read_text(encoding="utf-8").endswith("</html>\n")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(EbbwattError, match="nowhere"):
        write_page(tmp_path / "nowhere" / "report.html", matter(), {})


# --- comparison ----------------------------------------------------------------------------------


def test_what_changed_since_an_earlier_visit():
    comparison = compare(earlier(), scenes.assessment())
    lines = summary(replace(matter(), comparison=comparison))
    text = " ".join(" ".join(line.text for line in lines).split())
    assert "78.0" in text
    assert "71.2" in text
    assert "720" in text, "running hours between the visits"
    assert "Since" in page(replace(matter(), comparison=comparison))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "not"),
        ("[]", "assessment"),
        ('{"schema": "other/1"}', "ebbwatt/assessment/1"),
    ],
)
def test_a_file_that_is_no_assessment_is_one_line(tmp_path, content, says):
    path = tmp_path / "old.json"
    path.write_text(content)
    with pytest.raises(EbbwattError) as caught:
        compare(read_document(path), scenes.assessment())
    assert "\n" not in str(caught.value)
    assert "old.json" in str(caught.value) or says in str(caught.value)


def test_a_document_that_tells_nothing_is_compared_with_nothing():
    comparison = compare({"schema": "ebbwatt/assessment/1"}, scenes.assessment())
    assert comparison.headline.startswith("Since then the verdict went from 'not known'")
    assert all(change.then in {"not known", "0"} for change in comparison.changes)


_ANYTHING = st.sampled_from(
    [None, True, -1, 0.7, 1e308, float("nan"), float("inf"), 10**400, [], [[]] * 9, {}, "",
     "\x1b[2J", "A" * 5000, "plan", "9999-12-31T23:59:59Z", "0001-01-01", "2025-01-01",
     "2025-01-01T00:00:00Z"]
)  # fmt: skip
_KEYS = st.sampled_from(
    ["low", "median", "high", "fraction", "per_1000h", "hours", "date", "label", "rated_w",
     "fitted", "to", "running_hours", "energy_kwh"]
)  # fmt: skip
_SECTION = st.dictionaries(_KEYS, _ANYTHING | st.dictionaries(_KEYS, _ANYTHING, max_size=3))
_SECTIONS = st.sampled_from(
    ["charger", "observed", "output", "decline", "steps", "remaining", "verdict"]
)


@settings(deadline=None)
@given(st.dictionaries(_SECTIONS, _ANYTHING | _SECTION))
def test_whatever_a_document_holds_the_comparison_stands(document):
    comparison = compare(document | {"schema": "ebbwatt/assessment/1"}, scenes.assessment())
    lines = summary(replace(matter(), comparison=comparison))
    assert len(lines) <= MOST_LINES
    for change in comparison.changes:
        assert all(cell.isprintable() and len(cell) < 200 for cell in change.cells())


def test_another_charger_is_not_compared_as_if_it_were_this_one():
    other = earlier() | {"charger": {"label": "fore peak", "rated_w": 45.0, "fitted": "2019-01-01"}}
    comparison = compare(other, scenes.assessment())
    assert comparison.headline.startswith("The earlier document speaks of another charger")
    assert len(comparison.notes) == 3
    text = " ".join(line.text for line in summary(replace(matter(), comparison=comparison), 60))
    assert "another charger" in text
    same = compare(earlier(), scenes.assessment())
    assert same.notes == ()
    assert same.headline.startswith("Since 2025-06-14 the charger ran 720 h")


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"\x89PNG\r\n", "not an assessment document"), (b"", "not an assessment document"),
     (b"[" * 100000, "not an assessment document"), (b'{"schema": "ebbwatt/assessment/9"}',
      "ebbwatt/assessment/1"), (b'"text"', "not an assessment document")],
)  # fmt: skip
def test_bad_input_to_the_comparison_is_one_line_and_status_2(ebbwatt, tmp_path, content, says):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "old.json").write_bytes(content)
    done = ebbwatt("report", "--compare", "old.json", cwd=tmp_path, status=2)
    assert done.stderr.startswith("ebbwatt: old.json: ")
    assert says in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_comparison_that_nobody_would_see_is_refused(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    done = ebbwatt("report", "--json", "-", "--compare", "a.json", cwd=tmp_path, status=2)
    assert "give --json a file" in done.stderr
    assert done.stdout == ""


def test_a_missing_document_names_the_file(tmp_path):
    with pytest.raises(EbbwattError, match="none"):
        read_document(tmp_path / "none.json")


# --- the command ---------------------------------------------------------------------------------


def test_an_empty_database_gives_a_report_that_says_what_is_missing(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n")
    ebbwatt("import", "one.csv", cwd=tmp_path)
    done = ebbwatt("report", "--html", "r.html", "--json", "a.json", cwd=tmp_path)
    assert "Cannot say yet" in done.stdout
    assert "holds no running" in " ".join(done.stdout.split())
    document = json.loads((tmp_path / "a.json").read_text())
    assert document["verdict"] == "undetermined"
    assert document["output"]["fraction"] is None
    assert document["reasons"]
    assert "<h1>" in (tmp_path / "r.html").read_text()


def test_no_database_is_one_clear_line_and_status_1(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    done = ebbwatt("report", cwd=tmp_path, status=1)
    assert "no such database yet" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("columns", ["60", "80", "120"])
def test_the_command_prints_25_lines(ebbwatt, tmp_path, columns):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n[log]\ninterval_s = 30\n")
    rows = [f"{1700000000 + 30 * k},13.1,8.0,running" for k in range(600)]
    (tmp_path / "log.csv").write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")
    ebbwatt("import", "log.csv", cwd=tmp_path)
    lines = ebbwatt("report", cwd=tmp_path, env={"COLUMNS": columns}).stdout.splitlines()
    assert "remaining" in "".join(lines)
    assert lines[-1].startswith("With plots: ebbwatt report --html")
    assert len(lines) <= 25
    assert max(map(len, lines)) <= int(columns)


def test_compare_with_itself_through_the_command(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n")
    ebbwatt("import", "one.csv", cwd=tmp_path)
    ebbwatt("report", "--json", "a.json", cwd=tmp_path)
    done = ebbwatt("report", "--compare", "a.json", cwd=tmp_path)
    assert "since" in done.stdout.lower()


def test_a_database_that_holds_nothing_at_all_gives_a_report_too(ebbwatt, tmp_path):
    prepare(tmp_path / "ebbwatt.db")
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER)
    done = ebbwatt("report", cwd=tmp_path)
    assert done.stdout.startswith("aft locker, rated 110 W")
    assert "holds no running" in " ".join(done.stdout.split())
    assert "holds no log yet" in ebbwatt("report", "--fitting", "7", cwd=tmp_path, status=1).stderr


def test_the_page_goes_to_standard_output_and_nothing_else_with_it(ebbwatt, tmp_path):
    prepare(tmp_path / "ebbwatt.db")
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER)
    told = ebbwatt("report", "--html", "-", cwd=tmp_path)
    assert told.stdout.startswith("<!DOCTYPE html>")
    assert told.stdout.endswith("</html>\n")
    assert Outline(told.stdout).open == []
    assert told.stderr == ""
    assert not (tmp_path / "-").exists()
    refused = ebbwatt("report", "--html", "-", "--json", "-", cwd=tmp_path, status=2)
    assert "both go to standard output" in refused.stderr


def test_one_run_is_no_runs():
    alone = matter("plan", runs=1)
    told = " ".join(line.text for line in summary(alone))
    assert re.search(r"in 1 run\b", told)
    assert "1 runs" not in told
    shown = page(alone)
    assert re.search(r"\b1 run\b", shown)
    assert not re.search(r"\b1 runs\b", shown)
