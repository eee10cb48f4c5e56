"""Running hours ahead become dates by the boat's own year, held against days counted by hand."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis.assessment.usage import (
    Pace,
    Usage,
    dates,
    expected_date,
    expected_hours,
    fortnight_differs,
    part_of_year,
    telling_days,
    usage,
    years_spread,
)
from analysis.history.use import Use, Year

DAY_S = 86400.0


def at(year, month, day):
    return datetime(year, month, day, tzinfo=UTC).timestamp()


def used(begin, end, hours_on):
    """The use of each day from ``begin`` to ``end``: ``hours_on(date)`` running hours."""
    first = datetime.fromtimestamp(begin, UTC)
    count = round((end - begin) / DAY_S)
    hours = np.array([hours_on(first + timedelta(days=k)) for k in range(count)], dtype=float)
    edges = begin + DAY_S * np.arange(count + 1.0)
    year = Year(end - 365.0 * DAY_S, end, float(hours[-365:].sum()) * 0.1, 0.0,
                float(hours[-365:].sum()), 0.0, 365.0)  # fmt: skip
    return Use(edges, hours * 0.1, hours, np.ones(count), year)


def summer(date):
    return 5.0 if 5 <= date.month <= 9 else 0.0


def test_a_year_has_the_hours_of_its_days_winters_included():
    pattern = usage(used(at(2020, 1, 1), at(2024, 1, 1), summer))
    # May to September are 153 days of 5 h.
    assert pattern.per_year() == pytest.approx(153 * 5.0, rel=0.01)
    assert pattern.hours_per_day[0] < 0.2, "January"
    assert pattern.hours_per_day[13] == pytest.approx(5.0, rel=0.05), "July"
    assert pattern.hours_per_day[-1] < 0.2, "December"


def test_no_use_is_no_pattern():
    assert usage(used(at(2022, 1, 1), at(2023, 1, 1), lambda _: 0.0)) is None


def test_a_pause_longer_than_any_winter_says_nothing_about_the_year():
    def with_pause(date):
        return 0.0 if date.year == 2021 else summer(date)

    log = used(at(2020, 1, 1), at(2024, 1, 1), with_pause)
    silent = np.array([datetime.fromtimestamp(s, UTC).year == 2021 for s in log.edges_s[:-1]])
    log.logged[silent] = 0.0
    assert usage(log).per_year() == pytest.approx(153 * 5.0, rel=0.03)


def steady(hours_per_day=2.0, spread=1e-9, fortnight=1e-9):
    return Usage(np.full(24, hours_per_day), spread, fortnight)


def test_hours_are_used_up_at_the_rate_of_the_day():
    rng = np.random.default_rng(3)
    now = at(2024, 3, 1)
    when = dates(steady(), now, np.full(4000, 100.0), rng)
    assert np.median(when - now) / DAY_S == pytest.approx(50.0, rel=0.02)
    never = dates(steady(), now, np.array([np.inf]), rng)
    assert np.isinf(never[0])


def test_nothing_is_reached_in_winter():
    pattern = usage(used(at(2020, 1, 1), at(2024, 1, 1), summer))
    now = at(2024, 8, 31)
    # A month of summer is left, 150 h; 300 h need the June of the next year.
    rng = np.random.default_rng(5)
    when = np.median(dates(pattern, now, np.full(2000, 300.0), rng))
    assert at(2025, 5, 15) < when < at(2025, 6, 15)


def test_years_that_differ_widen_the_date_by_as_much():
    rng = np.random.default_rng(7)
    now, ahead = at(2024, 3, 1), np.full(8000, 200.0)
    narrow = dates(steady(spread=0.05), now, ahead, rng)
    wide = dates(steady(spread=0.30), now, ahead, np.random.default_rng(7))
    # Inside a year the logarithm of the wait has the spread itself.
    logs = np.log((wide - now) / DAY_S)
    assert float(np.std(logs)) == pytest.approx(0.30, rel=0.05)
    assert float(np.std(np.log((narrow - now) / DAY_S))) == pytest.approx(0.05, rel=0.05)


def test_the_spread_of_years_is_shrunk_towards_the_usual():
    def alternating(date):
        return summer(date) * (1.5 if date.year % 2 else 0.5)

    same = usage(used(at(2018, 1, 1), at(2024, 1, 2), summer)).spread
    differ = usage(used(at(2018, 1, 1), at(2024, 1, 2), alternating)).spread
    one_year = usage(used(at(2023, 1, 1), at(2024, 1, 1), summer)).spread
    assert one_year == 0.25
    # Six equal years beside three assumed ones of 0.25: sqrt(3 * 0.25^2 / 8).
    assert same == pytest.approx(np.sqrt(3 * 0.25**2 / 8), rel=0.05)
    # Logarithms of 0.5 and 1.5 three times each, by hand: their squares about the mean sum to 1.81.
    assert differ == pytest.approx(np.sqrt((1.81 + 3 * 0.25**2) / 8), rel=0.05)


def test_where_no_winter_was_logged_the_boat_may_be_laid_up_in_it():
    # One summer is logged, and in every other year as well, or not.
    first = usage(used(at(2024, 5, 1), at(2024, 9, 16), summer))
    whole = usage(used(at(2023, 9, 16), at(2024, 9, 16), summer))
    assert not whole.unseen.any()
    # May to the middle of September are 9 or 10 of 24 parts.
    assert first.unseen.sum() in {14, 15}
    now, rng = at(2024, 9, 16), np.random.default_rng(9)
    low, high = np.percentile(dates(first, now, np.full(4000, 200.0), rng), [5.0, 95.0])
    # In use all year, 200 h last 40 days; laid up, until the June of the next year.
    assert at(2024, 9, 30) < low < at(2024, 11, 15)
    assert at(2025, 5, 15) < high < at(2025, 8, 1)
    # Where the parts ahead were seen, nothing changes.
    soon = dates(first, at(2024, 6, 1), np.full(4000, 100.0), rng)
    assert np.median(soon) == pytest.approx(at(2024, 6, 21), abs=4 * DAY_S)


def test_a_worn_charger_runs_longer_for_the_same_energy():
    # From 0.8 to 0.6 within 1000 h, where the log saw 0.9 in the mean. By hand: the first 500 h
    # give 500 * 0.75 / 0.9 of the hours that were usual, all of them 1000 * 0.7 / 0.9.
    pace = Pace.of(np.array([0.0, 500.0, 1000.0]), np.array([0.8, 0.7, 0.6]), 0.9)
    found = pace.usual(np.array([0.0, 500.0, 1000.0, 1900.0, np.inf]))
    assert found[:3] == pytest.approx([0.0, 416.7, 777.8], abs=0.1)
    assert found[3] == pytest.approx(777.8 + 900.0 * 0.6 / 0.9, abs=0.1)
    assert np.isinf(found[4])
    assert pace.real(found[:4]) == pytest.approx([0.0, 500.0, 1000.0, 1900.0])
    # A charger that halves its output needs twice the hours a day: 100 h are gone in half the time.
    half = Pace.of(np.array([0.0, 100.0]), np.array([0.45, 0.45]), 0.9)
    now, rng = at(2024, 3, 1), np.random.default_rng(3)
    when = dates(steady(), now, half.usual(np.full(4000, 100.0)), rng)
    assert np.median(when - now) / DAY_S == pytest.approx(25.0, rel=0.03)


def test_parts_of_the_year_are_fifteen_days_and_a_fifth():
    # The first begins at a new year of the mean calendar.
    year_s = 365.2425 * DAY_S
    edges = 50.0 * year_s + year_s / 24.0 * np.arange(25)
    assert part_of_year(edges[:-1] + 1.0).tolist() == list(range(24))
    assert part_of_year(edges[1:] - 1.0).tolist() == list(range(24))


def test_a_pattern_by_hand():
    # Two years and a half: 3 h a day in odd parts of the year.
    def odd(date):
        return 3.0 * (part_of_year(np.array([date.timestamp() + DAY_S / 2.0]))[0] % 2)

    log = used(at(2021, 1, 1), at(2023, 7, 1), odd)
    found = usage(log)
    part = part_of_year(log.edges_s[:-1] + DAY_S / 2.0)
    days = np.bincount(part, minlength=24)
    mean = log.hours.sum() / len(log.hours)
    # Half a day at the mean of the year stands beside the days of each part; then the whole is
    # brought back to the mean of the parts.
    guess = (np.bincount(part, weights=log.hours, minlength=24) + 0.5 * mean) / (days + 0.5)
    assert found.hours_per_day == pytest.approx(guess * 1.5 / guess.mean())
    assert not found.unseen.any()
    # Where parts were not seen, the guess stands as it is.
    first = used(at(2021, 1, 1), at(2021, 7, 1), odd)
    part = part_of_year(first.edges_s[:-1] + DAY_S / 2.0)
    days = np.bincount(part, minlength=24)
    mean = first.hours.sum() / len(first.hours)
    guess = (np.bincount(part, weights=first.hours, minlength=24) + 0.5 * mean) / (days + 0.5)
    assert usage(first).hours_per_day == pytest.approx(guess)
    assert usage(first).unseen.tolist() == [False] * 12 + [True] * 12


def test_days_after_the_year_say_nothing():
    log = used(at(2022, 1, 1), at(2023, 1, 1), lambda _: 2.0)
    assert usage(Use(log.edges_s, log.energy_kwh, log.hours, log.logged, None)) is None
    early = Year(at(2021, 1, 1), at(2022, 1, 1), 1.0, 0.0, 1.0, 0.0, 365.0)
    assert usage(Use(log.edges_s, log.energy_kwh, log.hours, log.logged, early)) is None


def test_a_silence_of_three_hundred_days_is_a_winter_yet():
    for silent, kept in ((300, True), (301, False)):
        logged = np.ones(700)
        logged[100 : 100 + silent] = 0.0
        hours = np.where(logged > 0.0, 1.0, 0.0)
        told = telling_days(Use(np.arange(701.0), hours, hours, logged, None))
        assert bool(told[100 : 100 + silent].all()) is kept
        assert told[:100].all()
        assert told[100 + silent :].all()
    # Hours without a logged day are no silence.
    hours = np.full(700, 0.5)
    assert telling_days(Use(np.arange(701.0), hours, hours, np.zeros(700), None)).all()


def test_how_much_years_differ_by_hand():
    year = 365.2425
    begin = DAY_S * np.arange(int(3 * year) + 2)
    end = float(begin[-1])
    which = ((end - begin) / DAY_S / year).astype(int)
    hours = np.array([1.0, 2.0, 3.0, 9.0])[which]
    days = np.bincount(which)[:3]
    total = days * np.array([1.0, 2.0, 3.0])
    share = np.log(total / total.mean())
    seen = ((share - share.mean()) ** 2).sum()
    # Beside three assumed years of 0.25.
    expected = np.sqrt((seen + 3.0 * 0.25**2) / (2.0 + 3.0))
    assert years_spread(begin, hours, end) == pytest.approx(expected)
    # A year of next to nothing counts as a quarter of the usual.
    few = np.where(which == 1, 1e-6, 2.0)
    total = days * np.array([2.0, 0.0, 2.0])
    share = np.log(np.maximum(total / total.mean(), 0.25))
    expected = np.sqrt((((share - share.mean()) ** 2).sum() + 0.1875) / 5.0)
    assert years_spread(begin, few, end) == pytest.approx(expected)
    # A year with a pause of more than a tenth of it does not count; two years at least.
    gap = (which != 2) | (np.arange(len(begin)) % 8 != 0)
    share = np.log(np.array([1.0, 2.0]) / 1.5)
    expected = np.sqrt((((share - share.mean()) ** 2).sum() + 0.1875) / 4.0)
    assert years_spread(begin[gap], hours[gap], end) == pytest.approx(expected, rel=0.01)
    assert (
        years_spread(
            begin[which < 2], hours[which < 2], float(begin[which < 2][0]) + 1.9 * year * DAY_S
        )
        == 0.25
    )
    assert years_spread(begin, 0.0 * hours, end) == 0.25


def test_how_much_fortnights_differ_by_hand():
    usual = np.r_[np.full(70, 2.0), np.full(14, 0.9)]
    hours = usual.copy()
    hours[:14] *= 1.3
    hours[14:28] *= 0.6
    hours[70:] = 99.0  # out of the season: less than half of the most
    # Of five fortnights two differ: by 0.3 and 0.4.
    assert fortnight_differs(hours, usual) == pytest.approx(np.sqrt((0.3**2 + 0.4**2) / 5.0))
    assert fortnight_differs(hours[:69], usual[:69]) == pytest.approx(np.sqrt(0.25 / 4.0))
    assert fortnight_differs(hours[:55], usual[:55]) == 0.5, "three are too few"
    assert fortnight_differs(hours[:13], usual[:13]) == 0.5


def test_fortnights_and_the_season_move_a_date():
    rng = np.random.default_rng(13)
    now, ahead = at(2024, 3, 1), np.full(8000, 100.0)
    logs = np.log((dates(steady(fortnight=0.4), now, ahead, rng) - now) / DAY_S)
    # Fifty days are 3.6 fortnights: 0.4 over the root of that.
    assert float(np.std(logs)) == pytest.approx(0.4 * np.sqrt(14.0 / 50.0), rel=0.05)
    # Four years ahead half of the spread of years stays, and an eighth of the rest.
    years = np.full(8000, 2.0 * 365.2425 * 4.0)
    logs = np.log(dates(steady(spread=0.2), now, years, np.random.default_rng(13)) - now)
    assert float(np.std(logs)) == pytest.approx(0.2 * np.sqrt(0.5 + 0.125), rel=0.05)
    # Before a season that begins on the first of May the date moves with it: 12 days.
    pattern = usage(
        used(at(2020, 1, 1), at(2024, 1, 1), lambda d: 5.0 if 5 <= d.month < 9 else 0.0)
    )
    pattern = Usage(pattern.hours_per_day, 1e-9, 1e-9)
    when = dates(pattern, at(2024, 2, 1), np.full(8000, 200.0), np.random.default_rng(5))
    assert float(np.std(when)) / DAY_S == pytest.approx(12.0, rel=0.05)
    assert (dates(steady(), now, np.zeros(50), rng) == now).all()


def test_the_expected_date_is_that_of_a_usual_year():
    now = at(2024, 3, 1)
    assert expected_date(steady(), now, 100.0) == pytest.approx(now + 50.0 * DAY_S)
    # Sixty years of 2 h a day are 43,829 h.
    assert expected_date(steady(), now, 43_700.0) is not None
    assert expected_date(steady(), now, 43_900.0) is None
    time_s, hours = expected_hours(steady(3.0), now)
    assert (time_s[0], hours[0]) == (now, 0.0)
    assert hours == pytest.approx(3.0 * (time_s - now) / DAY_S)


def test_an_output_of_nothing_counts_as_a_tenth():
    pace = Pace.of(np.array([0.0, 100.0]), np.array([0.0, 0.0]), 0.5)
    assert pace.usual(np.array([100.0]))[0] == pytest.approx(100.0 * 0.1 / 0.5)
    assert Pace.of(np.array([0.0, 100.0]), np.array([0.5, 0.5]), 0.0).usual(np.array([100.0]))[
        0
    ] == pytest.approx(500.0)
