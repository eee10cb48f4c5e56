"""The service calendar: due dates by hours and months, from the newest tick on."""

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.assessment.service import Due, done_text, months_on
from analysis.history.history import STATE_CODE
from analysis.show.freshness import with_forecast_suspended
from analysis.show.phrases import next_actions
from analysis.show.service import last_done, when_due
from analysis.units import Owner, read_by
from logger.config import ServiceConfig, load_config
from logger.errors import ConfigError, UsageError
from logger.event import Event
from logger.reading import OperatingState
from tests.support.boats.histories import plain_history
from tests.support.configurations import config_for
from tests.support.screens.scenes import DAY_S, at

#: Forty days, of which the charger runs the first six hours each: 240 h.
BEGUN_S, DAYS, HOURS_A_DAY = at(2024, 1, 31), 40, 6
END_S = BEGUN_S + DAYS * DAY_S


def _case(*jobs, events=(), fitted=date(2024, 1, 31), counter_h=None):
    step_s = 600.0
    clock_h = (np.arange(DAYS * 144) * step_s / 3600.0) % 24.0
    running = clock_h < HOURS_A_DAY
    codes = [STATE_CODE[s] for s in (OperatingState.RUNNING, OperatingState.STANDBY)]
    volts = np.where(running, 13.2, 12.7)
    history = plain_history(BEGUN_S, step_s, volts, np.where(running, *codes))
    if counter_h is not None:
        history = replace(history, runtime_h=counter_h + np.cumsum(running) * step_s / 3600.0)
    config = config_for()
    charger = replace(config.charger, fitted=fitted)
    config = replace(config, services=jobs, charger=charger)
    return Case(replace(history, events=tuple(events)), config)


def _tick(number, name, time_s, **more):
    return Event(number, time_s, "service", None, done_text(name, [name], "Jo", ""), **more)


def test_hours_count_from_new_where_nothing_was_ticked():
    # Worked by hand: 240 of 300 h are used; at 6 h a day the other 60 h last ten days.
    (due,) = _case(ServiceConfig("filter", hours=300.0)).service
    assert due.left_h == pytest.approx(60.0, abs=0.2)
    assert due.by_use_s == pytest.approx(END_S + 10 * DAY_S, abs=0.5 * DAY_S)
    assert not due.overdue(END_S)
    assert when_due(due, END_S) == "due about 2024-03-21, in 60 h of running"
    assert last_done(due) == "never ticked"


def test_a_tick_begins_the_hours_anew_and_a_struck_one_does_not():
    tick = _tick(1, "filter", BEGUN_S + 20 * DAY_S)
    struck = _tick(2, "filter", BEGUN_S + 30 * DAY_S, struck=True)
    (due,) = _case(ServiceConfig("filter", hours=300.0), events=(tick, struck)).service
    assert due.left_h == pytest.approx(180.0, abs=0.2)  # 120 h run since the tick
    assert last_done(due) == "last done 2024-02-20"


def test_ticks_of_an_earlier_unit_do_not_count():
    tick = _tick(1, "filter", at(2023, 6, 1))
    (due,) = _case(ServiceConfig("filter", hours=300.0), events=(tick,)).service
    assert due.last_s is None
    # The day of fitting begins in the easternmost time zone, a day before that of UTC at most.
    for early_s, counts in ((0.0, True), (1.0, False)):
        tick = _tick(1, "filter", BEGUN_S - DAY_S - early_s)
        (due,) = _case(ServiceConfig("filter", hours=300.0), events=(tick,)).service
        assert (due.last_s is not None) is counts


def test_what_is_overdue_is_said_with_hours_and_stands_among_the_actions():
    case = _case(ServiceConfig("filter", hours=200.0), ServiceConfig("hose", months=24.0))
    late, later = case.service
    assert (late.name, later.name) == ("filter", "hose")
    assert when_due(late, END_S) == "overdue by 40 h"
    assert late.overdue(END_S)
    assert not later.overdue(END_S)
    assert any("Service due: filter (overdue by 40 h)" in text
               for text in next_actions(case.assessment))  # fmt: skip


def test_a_used_unit_counts_from_its_fitting_not_from_the_hours_that_it_brought_along():
    # Fitted with 2000 h on its counter: 240 of 300 h are used since.
    (due,) = _case(ServiceConfig("filter", hours=300.0), counter_h=2000.0).service
    assert due.left_h == pytest.approx(60.0, abs=0.2)
    assert not due.estimated


def test_a_unit_that_was_new_when_it_was_fitted_counts_from_zero():
    # Fitted a year before the log began, and its counter stood at 100 h by then: 340 h by now.
    fitted = date(2023, 1, 31)
    (due,) = _case(ServiceConfig("filter", hours=300.0), fitted=fitted, counter_h=100.0).service
    assert due.left_h == pytest.approx(-40.0, abs=0.2)


@pytest.mark.parametrize("counter_h", [None, 1000.0])
def test_hours_between_a_tick_and_the_log_are_estimated_and_told_as_such(counter_h):
    # By hand: ticked ten days before the log, 6 h a day: 60 h, and 240 h in the log.
    tick = _tick(1, "filter", BEGUN_S - 10 * DAY_S)
    job = ServiceConfig("filter", hours=400.0)
    (due,) = _case(job, events=(tick,), fitted=date(2023, 1, 31), counter_h=counter_h).service
    assert due.left_h == pytest.approx(100.0, abs=3.0)
    assert "in about 100 h of running" in when_due(due, END_S)
    assert due.document()["hours_estimated"] is True


def test_where_nothing_tells_the_hours_before_the_log_no_figure_is_given():
    job = ServiceConfig("filter", hours=300.0)
    (due,) = _case(job, fitted=None).service
    assert due.left_h is None
    assert not due.overdue(END_S)
    told = "hours since it was last done are not known: tick it when it is done"
    assert when_due(due, END_S) == told
    (due,) = _case(replace(job, months=12.0), fitted=None).service
    assert when_due(due, END_S) == f"due 2025-01-31; {told}"
    # A tick inside the log tells them.
    (due,) = _case(job, fitted=None, events=(_tick(1, "filter", BEGUN_S + 20 * DAY_S),)).service
    assert due.left_h == pytest.approx(180.0, abs=0.2)


def test_a_unit_without_a_counter_fitted_before_the_log_is_estimated():
    # By hand: 40 days before the log at 6 h a day are 240 h, and 240 h in the log.
    job = ServiceConfig("filter", hours=500.0)
    (due,) = _case(job, fitted=date(2023, 12, 22)).service
    assert due.left_h == pytest.approx(20.0, abs=3.0)
    assert due.estimated


@pytest.mark.parametrize(
    ("months", "due"),
    [(1, "2024-02-29"), (12, "2025-01-31"), (13, "2025-02-28"), (48, "2028-01-31")],
)
def test_months_are_those_of_the_calendar(months, due):
    (job,) = _case(ServiceConfig("hose", months=float(months))).service
    assert when_due(job, BEGUN_S) == f"due {due}"
    assert when_due(job, at(2030, 1, 1)) == f"overdue since {due}"


def test_the_day_of_fitting_is_one_of_the_boats_zone():
    zone = ZoneInfo("America/Los_Angeles")
    case = _case(ServiceConfig("hose", months=12.0), fitted=date(2024, 1, 15))
    boat = replace(case.config.boat, timezone=zone.key)
    (job,) = Case(case.history, replace(case.config, boat=boat)).service
    assert job.by_months_s == datetime(2025, 1, 15, tzinfo=zone).timestamp()
    read_by(Owner(zone))
    assert when_due(job, BEGUN_S) == "due 2025-01-15"
    assert job.document()["due"] == "2025-01-15"


def test_the_day_in_the_document_is_the_owners():
    zone = ZoneInfo("Pacific/Auckland")
    case = _case(ServiceConfig("hose", months=12.0), fitted=date(2024, 1, 15))
    boat = replace(case.config.boat, timezone=zone.key)
    (job,) = Case(case.history, replace(case.config, boat=boat)).service
    assert job.document()["due"] == "2025-01-15"  # midnight there is 2025-01-14 in UTC


def test_a_used_unit_without_a_day_of_fitting_is_not_taken_for_new():
    # 2,000 h stood on its counter when the log began: who can say when the filter was changed?
    job = ServiceConfig("filter", hours=300.0)
    (due,) = _case(job, counter_h=2000.0, fitted=None).service
    assert (due.unknown, due.left_h) == (True, None)
    # With 100 h it may have been new as the log began, or little before.
    (due,) = _case(job, counter_h=100.0, fitted=None).service
    assert due.left_h == pytest.approx(300.0 - 340.0, abs=0.2)


def test_of_hours_and_months_the_first_counts():
    (job,) = _case(ServiceConfig("drain", hours=300.0, months=1.0)).service
    assert job.due_s() == at(2024, 2, 29)
    (job,) = _case(ServiceConfig("drain", hours=250.0, months=12.0)).service
    assert job.due_s() == job.by_use_s


def test_a_date_by_use_is_not_told_from_a_log_that_ended_long_ago():
    case = _case(ServiceConfig("filter", hours=300.0), ServiceConfig("hose", months=12.0))
    seen = with_forecast_suspended(case.assessment, END_S + 60 * DAY_S)
    told = {due.name: when_due(due, END_S + 60 * DAY_S) for due in seen.service}
    assert told == {"filter": "due in 60 h of running", "hose": "due 2025-01-31"}


def test_the_document_holds_the_calendar():
    case = _case(ServiceConfig("hose", months=12.0))
    assert case.assessment.document()["service"] == [
        {
            "name": "hose",
            "last": None,
            "hours_left": None,
            "hours_estimated": False,
            "due": "2025-01-31",
            "due_by": "months",
        }
    ]


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[service.filter]", "service.filter: needs hours, months, or both"),
        ("[service.fuse]\nhours = 5", "an item of the fitter's check list"),
        ('[service."a b"]\nhours = 5', "letters, digits, - and _"),
        ("[service.x]\nhuors = 5", "did you mean hours?"),
        ("[service]\nhours = 5", "must be a section, written [service.hours]"),
    ],
)
def test_a_wrong_job_is_refused(tmp_path, table, says):
    path = tmp_path / "ebbwatt.toml"
    path.write_text(f"[charger]\nrated_w = 110\n{table}\n")
    with pytest.raises(ConfigError, match=r"line [34]") as error:
        load_config(path)
    assert says in str(error.value)


def test_a_tick_of_a_job_that_nobody_named_is_refused():
    with pytest.raises(UsageError, match="accepted: filter"):
        done_text("fliter", ["filter"], "Jo", "")


def test_what_makes_a_job_due_and_when():
    both = Due("filter", None, 10.0, 200.0, 100.0)
    assert (both.due_s(), both.due_by()) == (100.0, "months")
    assert (replace(both, by_use_s=50.0).due_s(), replace(both, by_use_s=50.0).due_by()) == (
        50.0,
        "hours",
    )
    none = Due("filter", None, 10.0, None, None)
    assert (none.due_s(), none.due_by()) == (None, None)
    assert (none.estimated, none.unknown) == (False, False)
    # Due in the moment in which its hours or its months are over.
    assert not both.overdue(99.0)
    assert both.overdue(100.0)
    assert replace(both, left_h=0.0).overdue(0.0)
    assert not none.overdue(1e12)
    assert replace(both, left_h=-1.26).document()["hours_left"] == -1.3


def test_part_of_a_month_is_so_many_days():
    start = at(2024, 1, 31)
    # Half of a mean month is 15.2 days; whole ones are those of the calendar, to their last day.
    half = 0.5 * 365.2425 / 12.0 * DAY_S
    zone = ZoneInfo("UTC")
    assert months_on(start, 0.5, zone) == pytest.approx(start + half, abs=1.0)
    assert months_on(start, 1.5, zone) == pytest.approx(at(2024, 2, 29) + half, abs=1.0)
    assert months_on(at(2023, 12, 15), 1.0, zone) == at(2024, 1, 15)
    assert months_on(at(2023, 11, 15), 1.0, zone) == at(2023, 12, 15)
    assert months_on(at(2023, 1, 31), 13.0, zone) == at(2024, 2, 29)


def test_the_first_due_stands_first_and_names_decide_between_equals():
    jobs = [
        ServiceConfig("hose", months=12.0), ServiceConfig("drain", months=6.0),
        ServiceConfig("belt", months=12.0), ServiceConfig("never", hours=100000.0),
    ]  # fmt: skip
    assert [due.name for due in _case(*jobs).service] == ["drain", "belt", "hose", "never"]


def test_a_tick_counts_from_its_own_moment_within_a_run():
    # Ticked three hours into the run of the 21st day: 123 h had passed by then.
    tick = _tick(1, "filter", BEGUN_S + 20 * DAY_S + 3 * 3600.0)
    (due,) = _case(ServiceConfig("filter", hours=300.0), events=(tick,)).service
    assert due.left_h == pytest.approx(300.0 - (240.0 - 123.0), abs=0.05)
    # One at the very beginning of the log, and a word about it.
    tick = _tick(1, "filter", BEGUN_S)
    (due,) = _case(ServiceConfig("filter", hours=300.0), events=(tick,)).service
    assert due.left_h == pytest.approx(60.0, abs=0.05)
    assert not due.estimated
    # Other kinds of event, texts of another form and other jobs tick nothing.
    others = (
        Event(1, END_S, "note", None, tick.text), Event(2, END_S, "service", None, "filter done"),
        _tick(3, "hose", END_S),
    )  # fmt: skip
    (due,) = _case(ServiceConfig("filter", hours=300.0), events=others).service
    assert due.last_s is None
    # The newest tick counts, in whatever order they stand.
    ticks = [_tick(k, "filter", BEGUN_S + d * DAY_S) for k, d in ((1, 30), (2, 10), (3, 20))]
    (due,) = _case(ServiceConfig("filter", hours=300.0), events=ticks).service
    assert due.last_s == BEGUN_S + 30 * DAY_S


def test_a_fortnight_before_the_log_is_no_time():
    job = ServiceConfig("filter", hours=300.0)
    # Fitted a fortnight before the log began: nothing ran by then. A day more is estimated.
    (due,) = _case(job, fitted=date(2024, 1, 17)).service
    assert (due.left_h, due.estimated) == (pytest.approx(60.0, abs=0.2), False)
    (due,) = _case(job, fitted=date(2024, 1, 16)).service
    assert due.estimated
    assert due.left_h == pytest.approx(60.0 - 15 * 6.0, abs=2.0)


def test_a_counter_that_may_have_begun_with_the_unit():
    job = ServiceConfig("filter", hours=3000.0)
    # Fitted thirty days before: 31 days of 24 h could have passed, 744 h.
    (due,) = _case(job, fitted=date(2024, 1, 1), counter_h=743.0).service
    assert due.left_h == pytest.approx(3000.0 - 983.0, abs=0.2)
    (due,) = _case(job, fitted=date(2024, 1, 1), counter_h=746.0).service
    assert due.estimated
    assert due.left_h == pytest.approx(3000.0 - 240.0 - 30 * 6.0, abs=3.0)
    # Where no day is known: a fortnight of 24 h, 336 h.
    (due,) = _case(job, fitted=None, counter_h=335.0).service
    assert due.left_h == pytest.approx(3000.0 - 575.0, abs=0.2)
    (due,) = _case(job, fitted=None, counter_h=337.0).service
    assert due.unknown
    # An estimate does not begin below zero on the unit's own counter.
    tick = _tick(1, "filter", BEGUN_S - 300 * DAY_S)
    (due,) = _case(job, events=(tick,), fitted=date(2023, 1, 1), counter_h=1000.0).service
    assert due.left_h == pytest.approx(3000.0 - 1240.0, abs=0.2)
    assert due.estimated


def test_without_a_use_over_the_year_no_date_is_told():
    case = _case(ServiceConfig("filter", hours=300.0))
    case.__dict__["pattern"] = None
    (due,) = case.service
    assert (due.left_h, due.by_use_s) == (pytest.approx(60.0, abs=0.2), None)
    late = _case(ServiceConfig("filter", hours=240.0))
    (due,) = late.service
    assert due.overdue(END_S)
    assert due.by_use_s == pytest.approx(END_S)
    tick = _tick(1, "filter", BEGUN_S - 300 * DAY_S)
    case = _case(ServiceConfig("filter", hours=300.0), events=(tick,), fitted=date(2023, 1, 1))
    case.__dict__["pattern"] = None
    assert case.service[0].unknown
