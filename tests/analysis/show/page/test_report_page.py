"""The page of the report: structure, plots, keys, labels, and what to do about the inputs."""

import itertools
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from analysis.assessment.document import Reason
from analysis.assessment.from_new import WEAK
from analysis.assessment.step_causes import STEP
from analysis.estimate import Span
from analysis.inputs.channels.late import LATE
from analysis.inputs.finding import Finding, Severity
from analysis.inputs.gain import GAIN_DRIFT
from analysis.show.inputs import CHECKS
from analysis.show.page.identity import Identity
from analysis.show.page.report import inputs_part
from analysis.show.page.report.page import page, write_page
from logger.errors import EbbwattError
from logger.event import Event
from tests.conftest import ROOT
from tests.support.screens import scenes
from tests.support.screens.pages import MADE_S, SCENES, Outline, matter


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
    days = [f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d}" for t in table.start_s[out]]
    words = re.sub(r"<[^>]+>", "", made).replace("\u00a0", " ").replace("\u2011", "-")
    assert (
        f"Runs below the plot were left out: too short to settle (7, the last {max(days)})" in words
    )


def test_the_page_asks_for_meters_before_anybody_orders_and_says_how_once():
    words = re.sub(r"<[^>]+>", " ", page(matter("plan"))).replace("\u00a0", " ")
    rows = words[words.index("Recommended next action") :]
    assert rows.index("Before you order") < rows.index("plan the replacement now")
    assert "5 % or 0.2 V apart (24 V: 0.4 V)" in rows
    by_hand = rows[rows.index("How to check it by hand") :]
    assert "Read a DC clamp meter" not in by_hand
    assert "Expected: about" in by_hand
    sound = re.sub(r"<[^>]+>", " ", page(matter("sound")))
    assert "Before you order" not in sound
    assert "Read a DC clamp meter" in sound


def test_why_no_hours_are_told_stands_once_and_without_saying_so_twice():
    why = "the limit is likely over 590 h away, six times what the log has seen: no figure"
    reasons = (Reason("output_sound", "available output is 98 %"), Reason("too_far_ahead", why))
    plan = matter("plan")
    given = scenes.assessment(
        remaining_h=Span(low=320.0), remaining_date=Span(), withheld=why, reasons=reasons
    )
    text = page(replace(plan, assessment=given)).replace("\xa0", " ")
    # The appendix has it once more, beside the figures that it is the reason of.
    said = re.sub(r"<[^>]*>", "", text[: text.index("<h2>Available output")])
    assert said.count("six times what the log has seen") == 1
    assert "No figure for the remaining life, only a bound (95 % confidence)" in said
    assert "six times what the log has seen." in said


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
    finding = Finding("above_rated", Severity.DOUBT, None, "It gives 130 % of rated.",
                      "Check the shunt.", "100 %", "130 %")  # fmt: skip
    told = page(matter("only bounds", inputs=(finding,)))
    checked = told[told.index("What was checked in the data") : told.index("next action")]
    assert "<strong>doubt:</strong>" in checked
    assert "It gives 130" in checked
    assert "the output is that of a rated unit" not in checked, "it does not count among the sound"
    assert "the current reads zero at rest" in checked
    first, second = re.findall(r'<th scope="row">(\d)</th><td>(.*?)</td><td>(\w+)</td>', told)[:2]
    assert ("Check the shunt" in first[1], first[2]) == (True, "technician")
    assert second[2] == "owner"


def test_every_finding_about_the_inputs_answers_one_of_the_questions():
    codes = set()
    for path in (ROOT / "analysis/inputs").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        codes |= set(re.findall(r'\bFinding\(\s*"([a-z_]+)"|\bcode ?= ?"([a-z_]+)"', text))
    # The codes that other rooms ask for by name.
    found = {a or b for a, b in codes} | {GAIN_DRIFT, LATE, STEP, WEAK}
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


def test_the_page_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "report.html"
    write_page(path, matter(), {})
    assert path.read_text(encoding="utf-8").endswith("</html>\n")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(EbbwattError, match="nowhere"):
        write_page(tmp_path / "nowhere" / "report.html", matter(), {})


def test_no_energy_is_told_of_data_that_stop_every_conclusion():
    finding = Finding("net_current", Severity.STOP, None, "It is a load.", "Move it.", "0", "2")
    assert "energy and charge" in page(matter("plan"))
    assert "energy and charge" not in page(matter("plan", inputs=(finding,)))


def test_the_worst_finding_stands_first_and_a_stop_leaves_nothing_else_to_clear():
    def said(severity, code):
        return Finding(code, severity, None, f"It is {code}.", "Mend it.", "1", "2")

    note, doubt = said(Severity.NOTE, "current_zero"), said(Severity.DOUBT, "counter_break")
    told = inputs_part.answers((note, doubt))
    assert told.index("It is counter_break.") < told.index("It is current_zero.")
    assert "Nothing in the log speaks against these:" in told
    stopped = inputs_part.answers((doubt, said(Severity.STOP, "net_current")))
    assert stopped.index("It is net_current.") < stopped.index("It is counter_break.")
    assert "Nothing in the log speaks against these:" not in stopped
