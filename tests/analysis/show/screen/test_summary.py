"""The summary of the report: 24 lines in which what decides always stands."""

import re
from dataclasses import replace

import pytest
from rich.cells import cell_len

from analysis.assessment.document import Reason, Step
from analysis.estimate import Span
from analysis.inputs.finding import Finding, Severity
from analysis.show.comparison import compare
from analysis.show.page.report.page import page
from analysis.show.screen.summary import MOST_LINES, MOST_NARROW, summary
from analysis.show.verdict_words import VERDICT_SIGNS
from analysis.show.wrapping import wrap_plain
from tests.support.screens import scenes
from tests.support.screens.pages import SCENES, earlier, matter


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
def test_the_summary_and_its_hint_leave_room_for_the_prompt_of_a_terminal(name, width):
    for made in situations(name):
        lines = [line.text for line in summary(made, width)]
        assert max(cell_len(line) for line in lines) <= width
        # Hint and prompt take a line each of 24; at 60 columns more cannot be left out.
        assert len(lines) <= (MOST_LINES if width >= 80 else MOST_NARROW)
    assert (MOST_LINES, MOST_NARROW) == (22, 24)


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
    assert "in 420 runs" in said[120]
    assert "in 420 runs" not in said[60]


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


@pytest.mark.parametrize("width", [60, 80])
def test_the_other_limit_is_named_once_and_the_reason_keeps_its_own_sentence(width):
    a = scenes.assessment(first={"output": 0.55, "load": 0.38, "design_hours": 0.07})
    other = "Another limit may come first: this boat's load (chance 38 %)"
    own = "in about 1200 running hours the output falls below the replacement limit"
    a = replace(a, reasons=(Reason("limit_near", f"{own}. {other}"),))
    lines = [line.text for line in summary(replace(matter("plan"), assessment=a), width)]
    assert max(len(line) for line in lines) <= width
    text = " ".join(" ".join(lines).split())
    assert text.count(f"{other}.") == 1
    # At 60 columns the remaining life alone says it.
    assert f"I{own[1:]}." in text or width < 80
    assert "1200 h (900 to 1700 h) until it falls below the replacement limit" in text


def test_why_no_hours_are_told_stands_once():
    why = "the limit is likely over 590 h away, six times what the log has seen: no figure"
    reasons = (Reason("output_sound", "available output is 98 %"), Reason("too_far_ahead", why))
    a = scenes.assessment(remaining_h=Span(low=320.0), withheld=why, reasons=reasons)
    lines = [line.text for line in summary(replace(matter("plan"), assessment=a), 80)]
    text = " ".join(" ".join(lines).split())
    assert text.count("six times what the log has seen: no figure.") == 1
    assert "Available output is 98 %." in text


def test_one_run_is_no_runs():
    alone = matter("sound", runs=1)
    told = " ".join(line.text for line in summary(alone))
    assert re.search(r"in 1 run\b", told)
    assert "1 runs" not in told
    shown = page(alone)
    assert re.search(r"\b1 run\b", shown)
    assert not re.search(r"\b1 runs\b", shown)


def finding(severity, text="The current is in watts. Look at its unit.", code="net_current"):
    return Finding(code, severity, None, text, "Set the unit of current_a.", "0 A", "9 A")


def test_where_nothing_is_concluded_no_hours_and_no_energy_are_told():
    stop, doubt = (
        [line.text for line in summary(matter("sound", inputs=(finding(severity),)))]
        for severity in (Severity.STOP, Severity.DOUBT)
    )
    assert any(line.startswith("use ") for line in doubt)
    assert not any(line.startswith(("use ", "used ")) for line in stop)


def test_no_doubt_stands_above_what_stops_every_conclusion():
    both = (finding(Severity.STOP), finding(Severity.DOUBT, "The clock was wrong.", "dates"))
    text = "\n".join(line.text for line in summary(matter("sound", inputs=both)))
    assert "The clock was wrong." not in text
    assert "1 more finding: ebbwatt check --log." in text


def test_a_reason_that_is_put_shorter_ends_with_a_whole_sentence():
    long = "An hour after a stop 2 A still flow. " + "The current is that of another device. " * 4
    short = "An hour after a stop 2 A still flow. " + "The current is that of another device. " * 2
    reasons = tuple(Reason(f"r{k}", long.strip()) for k in range(3))
    text = " ".join(" ".join(x.text for x in summary(matter("plan", reasons=reasons))).split())
    assert short in text
    assert "..." not in text
