"""Use by day and year: the calendar, holes of the log, and pauses, each counted by hand."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.assessment.usage import dates, usage
from analysis.history.history import STATE_CODE, History
from analysis.history.runs import find_runs
from analysis.history.use import day_edges, find_use
from logger.reading import OperatingState
from logger.store.reader import Fitting

HOUR_S, DAY_S = 3600.0, 86400.0
RUNNING, STANDBY = (STATE_CODE[s] for s in (OperatingState.RUNNING, OperatingState.STANDBY))


def unix(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def log_of(stretches, *, power_w=80.0, counted=True):
    """Return a log in intervals of an hour: (from, to, hours run each day) with hours counted on.

    A stretch with a fourth value counts its hours on without being logged.
    """
    rows, hours = [], 0.0
    for begin, end, per_day, *unseen in stretches:
        for start_s in np.arange(unix(begin), unix(end), HOUR_S):
            on = (start_s % DAY_S) / HOUR_S < per_day
            hours += on
            if not unseen:
                rows.append((start_s, on, hours))
    start_s, on, at_h = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    n, nan = len(start_s), np.full(len(rows), np.nan)
    energy_j = on * power_w * HOUR_S
    return History(
        start_s=start_s,
        duration_s=np.full(n, HOUR_S),
        state=np.where(on > 0, RUNNING, STANDBY).astype(np.int8),
        readings=np.full(n, 60),
        charge_c=energy_j / 13.0,
        energy_j=energy_j,
        voltage_min_v=np.full(n, 12.6),
        voltage_max_v=np.full(n, 13.0),
        voltage_mean_v=np.full(n, 12.8),
        voltage_last_v=np.full(n, 12.8),
        runtime_h=at_h if counted else nan,
        temperature_c=nan,
        battery_charge_c=nan,
        fuel_l=nan,
        session=np.ones(n, dtype=np.int64),
        clock_known=np.ones(n, dtype=bool),
        fitting=Fitting(1, "locker", 100.0, "2021-04-01"),
    )


def use_of(history, zone=UTC):
    return find_use(find_runs(history, 100.0), zone)


SEASONS = (("2021-04-01", "2021-10-01", 6), ("2022-04-01", "2022-10-01", 5))


def test_a_year_is_365_days_of_the_calendar_with_its_winter():
    use = use_of(log_of(SEASONS))
    # By hand: 183 days from April to September, 5 h a day at 80 W, and the last day of September
    # of the year before (365 days before 2022-10-01 is 2021-10-01): nothing of it.
    assert use.year.hours == pytest.approx(183 * 5)
    assert use.year.kwh == pytest.approx(183 * 5 * 0.080)
    assert use.year.days == pytest.approx(365)
    assert use.year.whole
    assert use.year.days_logged == pytest.approx(183)


def test_seconds_of_logging_after_the_winter_change_nothing():
    before = use_of(log_of(SEASONS)).year
    after = use_of(log_of((*SEASONS, ("2023-03-20", "2023-03-20 01:00", 0)))).year
    assert (after.kwh, after.hours) == pytest.approx((before.kwh, before.hours))
    assert after.end_s == unix("2022-10-01")


def test_hours_counted_while_the_logger_was_ashore_are_used():
    away = (("2022-04-01", "2022-06-01", 5), ("2022-06-01", "2022-07-01", 5, "not logged"),
            ("2022-07-01", "2022-10-01", 5))  # fmt: skip
    use = use_of(log_of((SEASONS[0], *away)))
    assert use.year.hours == pytest.approx(183 * 5, abs=0.2)
    assert use.year.kwh == pytest.approx(183 * 5 * 0.080, rel=0.001)
    assert use.year.unlogged_kwh == pytest.approx(30 * 5 * 0.080, rel=0.001)
    low, high = use.year.kwh_per_year().low, use.year.kwh_per_year().high
    assert low < use.year.kwh < high, "what was not seen is less sure"
    # Without a counter nobody knows: a silence of a month is a boat laid up.
    blind = use_of(log_of((SEASONS[0], *away), counted=False))
    assert blind.year.hours == pytest.approx(153 * 5)


def test_of_less_than_a_year_the_seasons_are_missing():
    year = use_of(log_of((("2022-06-01", "2022-08-01", 6),))).year
    assert not year.whole
    a_year = year.kwh_per_year()
    assert a_year.low == pytest.approx(61 * 6 * 0.080), "laid up for the rest of the year"
    assert a_year.high == pytest.approx(365 * 6 * 0.080), "or so all the year round"


def test_days_begin_at_local_midnight_and_know_of_summer_time():
    zone = ZoneInfo("Europe/Lisbon")
    # Portugal put its clocks forward on 2022-03-27 (tz database): that day had 23 hours.
    edges = day_edges(unix("2022-03-25"), unix("2022-03-30"), zone)
    assert [datetime.fromtimestamp(e, zone).hour for e in edges] == [0] * len(edges)
    assert sorted(set(np.diff(edges) / HOUR_S)) == [23.0, 24.0]
    history = log_of((("2022-07-01", "2022-07-11", 6),))
    use = use_of(history, ZoneInfo("Asia/Tokyo"))
    # Independent: pandas puts the same intervals into days of that zone. It takes long to load.
    import pandas as pd

    frame = pd.DataFrame({"kwh": history.energy_j / 3.6e6})
    frame.index = pd.to_datetime(history.start_s, unit="s", utc=True).tz_convert("Asia/Tokyo")
    by_hand = frame.kwh.resample("D").sum().iloc[1:-1]
    assert use.energy_kwh == pytest.approx(by_hand.to_numpy())


@pytest.mark.parametrize(("change", "hours"), [("2022-03-27", 23.0), ("2022-10-30", 25.0)])
def test_a_day_of_23_or_25_hours_is_a_whole_day_with_its_own_energy(change, hours):
    """Clocks of Lisbon change on these days (tz database); pandas sorts by the same clocks."""
    import pandas as pd

    zone, middle = "Europe/Lisbon", pd.Timestamp(change)
    begin, end = (f"{middle + pd.Timedelta(days=by):%Y-%m-%d}" for by in (-5, 5))
    history = log_of(((begin, end, 6),))
    use = use_of(history, ZoneInfo(zone))
    assert hours in np.diff(use.edges_s) / HOUR_S
    local = pd.to_datetime(history.start_s, unit="s", utc=True).tz_convert(zone)
    by_hand = pd.Series(history.energy_j / 3.6e6).groupby(local.date).sum()
    first = datetime.fromtimestamp(use.edges_s[0], ZoneInfo(zone)).date()
    days = [first + timedelta(days=k) for k in range(len(use.energy_kwh))]
    assert use.energy_kwh == pytest.approx(by_hand.loc[days].to_numpy())
    assert use.whole[1:-1].all()


def forecast_day(history, hours):
    use = use_of(history)
    rng = np.random.default_rng(5)
    drawn = dates(usage(use), float(history.end_s[-1]), np.full(4000, float(hours)), rng)
    days = (datetime.fromtimestamp(v, UTC) for v in np.percentile(drawn, [5, 50, 95]))
    return [day.strftime("%Y-%m") for day in days]


def test_dates_follow_the_seasons():
    # 150 h at 5 h a day from the first of October: 30 days of the next season, which begins in
    # April, so early May.
    low, middle, high = forecast_day(log_of(SEASONS), 150)
    assert middle in {"2023-04", "2023-05"}
    assert low >= "2023-03"
    assert high <= "2023-07"


@pytest.mark.parametrize("later", ["2023-03-20", "2024-03-20"])
def test_seconds_of_logging_after_a_pause_do_not_change_the_pattern(later):
    short = (later, f"{later} 01:00", 0)
    _, middle, high = forecast_day(log_of((*SEASONS, short)), 150)
    year = later[:4]
    assert middle in {f"{year}-04", f"{year}-05"}
    assert high <= f"{year}-07"


def test_an_empty_log_has_no_year():
    history = log_of(SEASONS)
    nothing = replace(history.select(np.zeros(len(history), dtype=bool)))
    assert use_of(nothing).year is None
    assert usage(use_of(nothing)) is None
