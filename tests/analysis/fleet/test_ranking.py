"""A boat's place in the list: its standing and one reason, on screen and page."""

import re
from dataclasses import replace

import pytest

from analysis.estimate import Span
from analysis.fleet.facts import Facts, facts_of
from analysis.fleet.listing import FleetList
from analysis.fleet.ranking import Boat, Standing, ranked
from analysis.show.page.fleet_page import fleet_page, unbroken
from analysis.show.screen.fleet import lines

DAY_S = 86400.0
NOW_S = 1_564_000_000.0
#: An assessment document with no more than the list needs.
_OPEN = {"low": None, "median": None, "high": None}
DOCUMENT = {
    "schema": "ebbwatt/assessment/1",
    "charger": {"label": "aft", "rated_w": 110.0},
    "observed": {"to": "2019-07-01T00:00:00Z", "running_hours": 900.0},
    "output": {"low": 0.8, "fraction": 0.85, "high": 0.9},
    "decline": {"low": None, "per_1000h": None, "high": None},
    "remaining": {"until": None, "hours": _OPEN, "date": _OPEN, "withheld": None},
    "verdict": "sound",
    "reasons": [],
}


def _boat(until_s=NOW_S, **more):
    facts = Facts(
        "aft", 110.0, until_s, 900.0, Span(0.8, 0.85, 0.9), Span(), "design_hours",
        Span(100.0, 200.0, 300.0), Span(), None, "plan", "it is planned", (), (),
    )  # fmt: skip
    own = {k: more.pop(k) for k in ("service", "hours") if k in more}
    return Boat("key", replace(facts, **own), "small", **more)


def _reason(boat, now_s=NOW_S):
    (seen,) = ranked([boat], now_s, 120)
    return seen.reason


def listed(boats):
    return FleetList(tuple(boats), (), 0, NOW_S, 90)


def test_a_limit_that_is_near_does_not_hide_that_a_charger_is_odd():
    told = "23 % chance of meeting a limit within 120 days; by its own log the first is the design "
    told += "hours"
    assert _reason(_boat(chance=0.23, tail=0.03)) == told
    assert _reason(_boat(chance=0.23, tail=0.01)) == f"{told}; it fades faster than its sisters"


def test_hours_without_an_upper_end_tell_their_lower_one():
    boats = ranked([_boat(hours=Span(2349.1, 4721.2, None), with_sisters=Span(1.0, 2.0, 3.0))],
                   NOW_S, 90)  # fmt: skip
    shown = "\n".join(lines(listed(boats), 120))
    assert "hours left, alone 4700 h (more than 2300 h)" in shown


def test_a_list_without_boats_says_how_to_begin():
    shown = lines(listed(()), 80)
    assert "fleet take DIR FILE" in shown[0]


def test_hours_left_are_told_where_a_limit_is_near_or_sisters_spoke():
    for boat, told in ((_boat(chance=0.5), "hours left 200 h (100 to 300 h)"), (_boat(), "")):
        shown = " ".join(" ".join(lines(listed(ranked([boat], NOW_S, 90)), 80)).split())
        assert ("hours left" in shown) == bool(told)
        assert told in shown


def test_before_a_unit_is_ordered_the_list_asks_for_a_measurement():
    for boat, asked in ((_boat(chance=0.5), True), (_boat(), False)):
        some = listed(ranked([boat], NOW_S, 90))
        assert ("Before you order" in " ".join(lines(some, 80))) == asked
        assert ("Before you order" in fleet_page(some, "fleet", "0.1.0")) == asked


def test_the_chance_is_told_of_any_limit_within_the_horizon():
    """It counts output, load and design hours; which is first is another matter."""
    assert _reason(_boat(chance=0.23)) == (
        "23 % chance of meeting a limit within 120 days; by its own log the first is the design "
        "hours"
    )


@pytest.mark.parametrize(
    ("job", "silent_d", "reason"),
    [
        # Overdue by its hours: since when nobody knows, by how much is known.
        ({"hours_left": -120.4, "due": "2019-07-20", "due_by": "hours"}, 0,
         "filter overdue by 120 h when the log ended"),
        ({"hours_left": -120.4, "hours_estimated": True, "due": "2019-07-20", "due_by": "hours"}, 0,
         "filter overdue by about 120 h when the log ended"),
        ({"hours_left": None, "due": "2019-07-02", "due_by": "months"}, 0,
         "filter due since 2019-07-02"),
        # Its hours end by a forecast: only while the log is fresh.
        ({"hours_left": 8.0, "due": "2019-07-02", "due_by": "hours"}, 30,
         "filter due about 2019-07-02, if used as before"),
        ({"hours_left": 8.0, "due": "2019-07-02", "due_by": "hours"}, 90, "no log since"),
        ({"hours_left": 8.0, "due": "2019-07-02", "due_by": "months"}, 90,
         "filter due since 2019-07-02"),
    ],
)  # fmt: skip
def test_a_service_is_told_as_it_is_known(job, silent_d, reason):
    (told,) = facts_of(DOCUMENT | {"service": [{"name": "filter", "last": None, **job}]}).service
    boat = _boat(NOW_S - silent_d * DAY_S, service=(told,))
    assert _reason(boat).startswith(reason)


def test_a_log_without_a_span_is_not_said_to_be_silent_since_1970():
    (seen,) = ranked([_boat(0.0)], NOW_S, 120)
    assert seen.standing is Standing.NOT_ASSESSED
    assert seen.reason == "its log holds no readings yet"


def test_page_and_screen_say_the_same_of_a_boat():
    """Where no median can be named both tell the lower end."""
    boats = ranked(
        [_boat(hours=Span(250.0, None, None), with_sisters=Span(300.0, 400.0, 500.0), sisters=6)],
        NOW_S, 90,
    )  # fmt: skip
    page = fleet_page(listed(boats), "fleet", "0.1.0").replace("\N{NO-BREAK SPACE}", " ")
    shown = " ".join(" ".join(lines(listed(boats), 80)).split())
    for words in ("hours left, alone more than 250 h", "with 6 sisters 400 h (300 to 500 h)"):
        assert words in re.sub(r"<[^>]*>", "", page), words
        assert words in shown, words


def test_no_line_of_facts_begins_with_a_mark():
    facts = ["output 62 %", "hours left 100 h (0 to 220 h), about 2026-12-08", "log until 2026-11"]
    page = str(unbroken(facts)).replace("\N{NO-BREAK SPACE}", " ")
    depth, between = 0, ""
    for tag, said in re.findall("(<[^>]*>)([^<]*)", page):
        depth += -1 if tag == "</span>" else 1
        between += said if depth == 0 else ""
    assert between.split() == [], "a line may break before what stands between the pieces"
    said = re.sub("<[^>]*>", "", page)
    assert said == "output 62 %; hours left 100 h (0 to 220 h), about 2026-12-08; log until 2026-11"
