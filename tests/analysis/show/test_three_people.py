"""Three people, one screen each, without scrolling: owner, technician, buyer of a used boat."""

from datetime import UTC

import pytest

from analysis.estimate import Span
from analysis.show.dashboard.facts import Fuel, Moment, collect
from analysis.show.dashboard.frame import frame
from analysis.show.dashboard.marks import BRAILLE_MARKS
from analysis.show.dashboard.views import View, full_screen, hint
from analysis.show.dashboard.watch import Found
from analysis.show.matter import Matter
from analysis.show.screen.summary import summary
from logger.config import load_config
from logger.reading import OperatingState, Reading
from logger.system.snapshot import Snapshot
from tests.support.screens import scenes

NOW_S = scenes.END_S
#: The screen that every terminal has.
WIDTH, HEIGHT = 80, 24


@pytest.fixture
def facts(tmp_path):
    path = tmp_path / "ebbwatt.toml"
    path.write_text("[charger]\nrated_w = 110\n[fuel]\n")
    reading = Reading(1000.0, 13.31, 5.9, OperatingState.RUNNING, 3120.4)
    live = Snapshot(
        boottime_s=1000.0, written_s=NOW_S, boot_id="b", session=1, source="a port", link="live",
        link_reason="", reading=reading, reading_age_s=0.5, readings=5, refused={},
    )  # fmt: skip
    fuel = Fuel(Span(3.0, 4.0, 5.0), Span(9.0, 12.0, 15.0))
    moment = Moment(NOW_S, 1000.0, "b", UTC)
    return collect(moment, load_config(path), live, None, scenes.assessment(), fuel=fuel)


def _screen(lines):
    assert len(lines) <= HEIGHT
    assert all(line.cell_len <= WIDTH for line in lines)
    return " ".join(" ".join(line.plain.split()) for line in lines)


def test_the_owner_sees_whether_it_runs_what_it_gives_battery_fuel_and_what_to_do(facts):
    shown = _screen(frame(facts, WIDTH, BRAILLE_MARKS, HEIGHT, hint(WIDTH)))
    for answer in (
        ">> Producing 79 W",  # is it on, is it producing
        "13.3 V charging",  # battery
        "fuel 12 d",  # fuel
        "[!] Plan the replacement",  # anything to do
        "read 0 s ago",
    ):
        assert answer in shown, answer
    # All of that stands in the first lines, whatever the size.
    small = frame(facts, 40, BRAILLE_MARKS, 10, hint(40))
    assert ">> Producing 79 W" in " ".join(line.plain for line in small[:4])


def test_the_technician_sees_what_is_wrong_how_sure_and_what_next():
    told = summary(Matter(scenes.assessment(), scenes.events(), NOW_S, "0.1.0"), WIDTH)
    # The command adds a line, and the prompt stands below it.
    assert len(told) <= HEIGHT - 2
    shown = " ".join(" ".join(line.text.split()) for line in told)
    for answer in (
        "Plan the replacement",  # what is wrong
        "71.2 % of its rated 110 W (69.0 to 73.4 %, 90 % confidence)",  # how sure
        "per 1000 running hours",
        "next",  # what next
        "Before you order",
        "plan the replacement now",
    ):
        assert answer in shown, answer


def test_the_buyer_of_a_used_boat_sees_what_is_left(facts):
    view = full_screen(
        View("health"), facts, Found(assessment=scenes.assessment()), WIDTH, HEIGHT, BRAILLE_MARKS
    )
    shown = _screen(view)
    for answer in (
        "gives 71.2 % of its rated 110 W (69.0 to 73.4 %, 90 % confidence)",
        "in about 1200 h (900 to 1700 h), as this boat uses it about 2028-05",
        "falls below the replacement limit of 60 % for good",
    ):
        assert answer in shown, answer
