"""What the owner sees: frames in several situations, at three widths, honest about age."""

import io
import os
import re
from dataclasses import replace
from datetime import UTC

import pytest
from rich.color import Color, ColorSystem
from rich.console import Console

from analysis.commands.watch import print_frame
from analysis.estimate import Span
from analysis.inputs.finding import Finding, Severity
from analysis.show.dashboard.facts import Moment, Situation, collect
from analysis.show.dashboard.frame import frame
from analysis.show.dashboard.marks import (
    ASCII,
    BLOCK_MARKS,
    BRAILLE_MARKS,
    INKS,
    NEEDED,
    marks_for,
)
from analysis.show.dashboard.terminal import Screen
from analysis.show.dashboard.views import hint
from analysis.show.dashboard.watch import fuel_facts
from logger.config import load_config
from logger.reading import OperatingState
from tests.conftest import ROOT
from tests.support.configurations import AFT_LOCKER
from tests.support.screens import scenes
from tests.support.screens.situations import (
    NOW_S,
    PRODUCING,
    SITUATIONS,
    facts_of,
    reading,
    recent,
    snapshot,
)
from tests.support.screens.wcag import contrast

GOLDEN = ROOT / "fixtures/frames"


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("config") / "ebbwatt.toml"
    path.write_text(AFT_LOCKER + "[battery]\ncharge_ceiling_v = 14.2\n[fuel]\n")
    return load_config(path)


SIZES = [(40, 10), (60, 24), (80, 24), (120, 40)]


def text_of(config, name, width, marks=BRAILLE_MARKS):
    return [line.plain for line in frame(facts_of(config, name), width, marks)]


def golden(name, lines):
    # To renew them after a wanted change: EBBWATT_GOLDEN=write, then read every one of them.
    path = GOLDEN / f"{name}.txt"
    text = "\n".join(lines) + "\n"
    if os.environ.get("EBBWATT_GOLDEN") == "write":
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")


def sized(config, name, size, marks=BRAILLE_MARKS):
    lines = frame(facts_of(config, name), *size[:1], marks, size[1], hint(size[0]))
    return [line.plain for line in lines]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", SITUATIONS)
def test_golden_frames(config, name, size):
    golden(f"{name}-{size[0]}x{size[1]}", sized(config, name, size))


@pytest.mark.parametrize("name", SITUATIONS)
def test_golden_frames_without_unicode(config, name):
    golden(f"{name}-60x24-ascii", sized(config, name, (60, 24), ASCII))


def test_golden_frame_with_half_blocks(config):
    golden("producing-80x24-blocks", sized(config, "producing", (80, 24), BLOCK_MARKS))


def printed(config, name, width, **terminal):
    """Return what the command writes to a terminal of this kind."""
    out = io.StringIO()
    console = Console(file=out, width=width, force_terminal=True, highlight=False, **terminal)
    print_frame(console, facts_of(config, name), ASCII)
    return out.getvalue()


COLOUR = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize("name", SITUATIONS)
@pytest.mark.parametrize("depth", ["standard", "256", "truecolor"])
def test_the_frame_says_the_same_without_its_colours(config, name, depth):
    coloured = printed(config, name, 80, color_system=depth)
    assert COLOUR.search(coloured)
    assert COLOUR.sub("", coloured).splitlines() == text_of(config, name, 80, ASCII)


@pytest.mark.parametrize("name", SITUATIONS)
def test_no_color_leaves_no_colour(config, name, monkeypatch):
    # The convention of no-color.org: the variable present and not empty means no colour.
    monkeypatch.setenv("NO_COLOR", "1")
    text = printed(config, name, 80, color_system="truecolor")
    codes = {c for found in COLOUR.findall(text) for c in found[2:-1].split(";")}
    assert codes <= {"", "0", "1"}, "nothing but bold and its end (ECMA-48, SGR)"


@pytest.mark.parametrize("width", [60, 120])
@pytest.mark.parametrize("name", SITUATIONS)
def test_what_the_warning_ink_says_a_sign_says_too(config, name, width):
    console = Console(
        file=io.StringIO(), width=width, force_terminal=True, color_system="truecolor"
    )
    mind = INKS["mind"]
    warned = [
        "".join(p.text for p in console.render(line) if mind in str(p.style)).strip()
        for line in frame(facts_of(config, name), width, ASCII)
    ]
    assert any(warned) == (name not in {"resting", "working-out"})
    for above, words in zip(["", *warned], warned, strict=False):
        # A wrapped statement carries its sign at its beginning.
        assert not words or above or re.match(r"!! |\?\? |\[!+\] |! ", words)


def test_no_two_situations_look_alike_in_black_and_white(config):
    frames = {name: "\n".join(text_of(config, name, 60, ASCII)) for name in SITUATIONS}
    assert len(set(frames.values())) == len(SITUATIONS)


def test_a_figure_of_a_day_is_never_cut(config):
    facts = facts_of(config, "producing")
    for kwh, shown in ((1.667, "1667"), (12.345, "12345"), (123.4, "123.4")):
        week = tuple(replace(day, energy_kwh=kwh) for day in facts.week)
        for width in (40, 60, 80, 120):
            text = "\n".join(t.plain for t in frame(replace(facts, week=week), width, ASCII))
            row = next(line for line in text.splitlines() if "a day " in line)
            unit, *figures = row[: width if width < 110 else 58].replace("a day", "").split()
            assert unit in {"Wh", "kWh"}
            assert len(figures) == 7
            assert set(figures) <= {shown, f"{kwh:.1f}", f"{kwh:.0f}", f"{1000 * kwh:.0f}"}, row


def test_the_noise_of_a_resting_sensor_is_no_negative_energy(config):
    facts = facts_of(config, "producing")
    week = tuple(replace(day, energy_kwh=-0.0002) for day in facts.week)
    text = "\n".join(t.plain for t in frame(replace(facts, week=week), 80, ASCII))
    row = next(line for line in text.splitlines() if "a day " in line)
    assert row.split()[-7:] == ["0"] * 7


def test_what_is_not_logged_is_not_called_zero(config):
    text = "\n".join(text_of(config, "no-data", 80))
    assert "nothing logged in the last 7 days" in text
    assert " 0 Wh" not in text
    assert "today not logged" in "\n".join(text_of(config, "not-logging", 80))


def test_an_unreadable_log_is_not_called_empty(config):
    rows = [line for line in text_of(config, "unreadable", 80) if line.startswith("Energy")]
    assert rows == ["Energy    not known"]


@pytest.mark.parametrize(("width", "height"), [(60, 24), (80, 24), (80, None), (120, 40)])
def test_the_frame_names_the_other_limit_that_may_come_first(config, width, height):
    facts = facts_of(config, "producing")
    chances = {"output": 0.55, "load": 0.38, "design_hours": 0.07}
    told = replace(facts, assessment=replace(facts.assessment, first=chances))
    lines = [line.plain for line in frame(told, width, ASCII, height)]
    assert max(len(line) for line in lines) <= width
    # Two columns stand beside each other from 110 on; the health block is the right one.
    text = " ".join(" ".join(line[60 if width > 110 else 0 :] for line in lines).split())
    assert (
        "The first limit is most likely the replacement limit, else this boat's load (chance 38 %)."
    ) in text
    sure = {"output": 0.81, "load": 0.19, "design_hours": 0.0}
    told = replace(facts, assessment=replace(facts.assessment, first=sure))
    text = " ".join(line.plain for line in frame(told, width, ASCII, height))
    assert "first limit" not in text


@pytest.mark.parametrize("name", SITUATIONS)
def test_nothing_to_do_is_said_only_where_nothing_else_asks(config, name):
    text = "\n".join(text_of(config, name, 80))
    assert ("Nothing to do." in text) == (name == "resting")
    next_step = {
        "producing": "Before you order, measure current and voltage",
        "replacement-due": "Do not rely on it for a passage. Before you order, measure",
    }
    assert next_step.get(name, "") in text


def test_what_was_found_out_before_a_fault_says_so(config):
    text = " ".join(" ".join(text_of(config, "fault", 80)).split())
    assert "could give 103.5 W before the fault" in text
    assert text.count("[ok] Sound before the fault") == 2


def test_the_right_column_keeps_its_own_colours(config):
    for line in frame(facts_of(config, "producing"), 120, ASCII):
        if "remaining" in line.plain:
            place = line.plain.index("remaining")
            styles = [str(s.style) for s in line.spans if s.start <= place < s.end]
            assert str(line.style) == ""
            assert not any(INKS["quiet"] in style for style in styles)


@pytest.mark.parametrize("width", [40, 60, 80, 119, 120, 200])
@pytest.mark.parametrize("name", SITUATIONS)
def test_no_line_is_wider_than_the_screen(config, name, width):
    assert max(len(line) for line in text_of(config, name, width)) <= width


@pytest.mark.parametrize("name", SITUATIONS)
def test_a_low_screen_keeps_what_matters(config, name):
    for width, height in ((80, 12), (40, 10), (40, 5)):
        whole = [line.plain for line in frame(facts_of(config, name), width, BRAILLE_MARKS)]
        lines = sized(config, name, (width, height))
        assert len(lines) <= height
        # The state, and the verdict or why there is none, in the first lines at every size.
        sign = next(line for line in whole if line[:2] in {">>", "--", "!!", "??"})
        place = lines.index(sign)
        assert place <= 2
        assert re.search(r"\[(ok|!|!!|\?\?)\] ", " ".join(lines[place : place + 4]))


@pytest.mark.parametrize("name", SITUATIONS)
def test_ascii_terminals_get_ascii(config, name):
    text = "\n".join(text_of(config, name, 80, ASCII))
    assert text.isascii()


def test_the_situation_is_told_in_words_not_by_colour_alone(config):
    heads = {name: text_of(config, name, 80)[2] for name in SITUATIONS}
    assert heads["producing"].startswith(">> Producing 79 W")
    assert heads["resting"].startswith("-- Resting, standing by")
    assert heads["fault"].startswith("!! FAULT")
    assert heads["stale"].startswith("?? NO READING for 90 min")
    assert "is the cable in?" in " ".join(text_of(config, "stale", 80)[2:4])
    assert heads["not-logging"].startswith("?? NOT LOGGING")
    assert heads["no-data"].startswith("?? NO LOG YET")


def test_a_stale_value_is_never_shown_as_if_it_were_now(config):
    facts = facts_of(config, "stale")
    assert facts.situation is Situation.SILENT
    text = "\n".join(text_of(config, "stale", 80))
    assert "last seen 79 W" in text
    assert "now 79 W" not in text


def test_a_snapshot_of_a_dead_daemon_or_another_boot_is_not_believed(config):
    for moment in (Moment(NOW_S, 1100.0, "b", UTC), Moment(NOW_S, 1000.5, "other boot", UTC)):
        facts = collect(moment, config, PRODUCING, recent(), None)
        assert facts.situation is Situation.UNWATCHED


def test_energy_of_days_and_of_the_open_interval(config):
    facts = facts_of(config, "producing")
    # Six hours at 78 W on each whole day; today runs from noon to six in the evening as well.
    assert [day.energy_kwh for day in facts.week] == pytest.approx([0.468] * 7, rel=1e-6)
    more = replace(PRODUCING, open_energy_j=36000.0)
    facts = collect(Moment(NOW_S, 1000.5, "b", UTC), config, more, recent(), None)
    assert facts.today_kwh == pytest.approx(0.478)


def test_states_that_are_not_told_are_judged_by_the_power(config):
    for amps, expected in ((5.0, Situation.PRODUCING), (0.1, Situation.RESTING)):
        snap = snapshot(reading(OperatingState.UNKNOWN, 13.3, amps))
        facts = collect(Moment(NOW_S, 1000.5, "b", UTC), config, snap, recent(), None)
        assert facts.situation is expected


def test_hostile_texts_stay_letters(config):
    log = replace(recent(), events=scenes.hostile_events())
    for hostile in scenes.HOSTILE:
        snap = replace(PRODUCING, link_reason=hostile, refused={hostile: 3}, notices=(hostile,))
        made = collect(Moment(NOW_S, 1000.5, "b", UTC), config, snap, log, None, hostile)
        for line in frame(replace(made, label=hostile), 80, BRAILLE_MARKS):
            assert all(c.isprintable() for c in line.plain)
            assert len(line.plain) <= 80


@pytest.mark.parametrize("ink", INKS.values())
@pytest.mark.parametrize("ground", ["#000000", "#ffffff"])
def test_inks_are_readable_on_black_and_on_white(ink, ground):
    # WCAG 2.1, success criterion 1.4.3: contrast of at least 4.5 to 1. Between the two grounds a
    # terminal may have any; what it paints cannot be known from here.
    assert contrast(ink, ground) >= 4.5


@pytest.mark.parametrize("ink", INKS.values())
@pytest.mark.parametrize("ground", ["#000000", "#ffffff"])
def test_a_palette_of_256_colours_keeps_the_inks_readable(ink, ground):
    # What rich sends to such a terminal. The palette has no orange of 4.5 on both grounds.
    shown = Color.parse(ink).downgrade(ColorSystem.EIGHT_BIT).get_truecolor().hex
    assert contrast(shown, ground) >= 4.45


def test_marks_follow_what_the_terminal_can_write():
    assert marks_for("utf-8", "xterm-256color") is BRAILLE_MARKS
    assert marks_for("ascii", "xterm") is ASCII
    assert marks_for("iso8859-1", "xterm") is ASCII
    assert marks_for("utf-8", "linux") is ASCII
    assert marks_for("no-such-code", None) is ASCII
    assert marks_for("utf-8", "xterm", ascii_only=True) is ASCII
    assert not NEEDED.isascii()


# --- the command ---------------------------------------------------------------------------------


def test_only_lines_that_changed_are_sent(config):
    out = io.StringIO()
    console = Console(file=out, width=80, height=50, force_terminal=True, color_system="256")
    screen = Screen(console)
    first = facts_of(config, "producing")
    whole = screen.show(frame(first, 80, BRAILLE_MARKS, 50))
    assert whole == len(frame(first, 80, BRAILLE_MARKS, 50))
    assert screen.show(frame(first, 80, BRAILLE_MARKS, 50)) == 0
    out.seek(0)
    out.truncate()
    later = replace(first, now_s=first.now_s + 1.0, reading=reading(OperatingState.RUNNING, 13.35))
    # The headline, the output and its bar, the battery; the log's age is the same.
    assert 1 <= screen.show(frame(later, 80, BRAILLE_MARKS, 50)) <= 4
    assert len(out.getvalue().encode()) < 1000
    # A shorter frame leaves nothing of the longer one.
    out.seek(0)
    out.truncate()
    lines = frame(facts_of(config, "no-data"), 80, BRAILLE_MARKS, 50)
    assert screen.show(lines) == len(lines)
    assert "\x1b[2J" in out.getvalue()


@pytest.mark.parametrize(("low", "expected"), [(2.9, True), (3.1, False), (None, False)])
def test_fuel_is_low_when_it_may_be(low, expected):
    class Outlook:
        days_left = Span(low, None if low is None else low + 5.0, None)
        litres_left = Span()
        last_s = None
        withheld: dict[str, str] = {}  # noqa: RUF012 - a stand-in that nobody changes

    assert fuel_facts(Outlook).low is expected


@pytest.mark.parametrize(
    ("code", "severity", "said"),
    [
        ("net_current", Severity.STOP, "as logged, not believed: see Data"),
        ("counter_unit", Severity.DOUBT, "counter not believed: see Data"),
        ("current_zero", Severity.DOUBT, None),
    ],
)
def test_energy_and_counter_that_are_not_believed_are_told_so(config, code, severity, said):
    facts = facts_of(config, "producing")
    finding = Finding(code, severity, None, "It is wrong.", "Mend it.", "1", "2")
    facts = replace(facts, assessment=replace(scenes.sound(), inputs=(finding,)))
    text = " ".join(" ".join(line.plain for line in frame(facts, 80, BRAILLE_MARKS)).split())
    assert ("not believed" in text) == (said is not None)
    assert (said or "Energy") in text
    assert ("running hours" in text) == (severity is not Severity.STOP), "the plot"
