"""Fuel for a passage: a worked example, and the invented boat sent under way for three weeks."""

import math
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.fuel.passage import (
    DOUBT_SD,
    KIND_SD,
    PASSAGE_SD,
    ChargerNow,
    Provision,
    Stock,
    Trip,
    charger_now,
    need,
    provision,
    supply_kwh,
)
from analysis.history.runs import find_runs
from analysis.load.kinds import Kinds
from analysis.show.passage_sheet import lines, page
from analysis.units import METRIC, Owner, Units, area_mm2, awg, read_by
from tests.support.boats.plain_log import RATED_W, log

#: 110 W at 13.2 V, on a bank that keeps 85 % of what it is given.
CHARGER = ChargerNow(volts=13.2, amps=110.0 / 13.2, efficiency=0.85, capacity_ah=0.0)
PER_KWH = np.full(4000, 0.9)


def test_the_worked_example_of_a_day():
    # 60 Ah a day on lead-acid, 2.5 A: while the charger runs (a share f of the day) its current
    # feeds the boat directly, the battery's part of the rest costs 1/0.85. By hand:
    # 60 = 0.85 Q / (1 - f + 0.85 f) with f = Q / (24 x 8.333): Q = 67.05 Ah, f = 0.335.
    kwh = supply_kwh(np.array([2.5]), CHARGER)[0]
    charge_ah = kwh * 1000.0 / 13.2
    share = charge_ah / (24.0 * CHARGER.amps)
    assert charge_ah == pytest.approx(67.05, abs=0.05)
    assert 0.85 * charge_ah / (1.0 - share + 0.85 * share) == pytest.approx(60.0)
    # 8.4 A is more than the charger gives in 24 h: 24 h of it, 2.64 kWh.
    assert supply_kwh(np.array([9.9]), CHARGER)[0] == pytest.approx(2.64)


def test_watts_are_taken_as_they_are_asked_for():
    asked = need(Trip(21, 0, watts=32.0), None, CHARGER, PER_KWH, 12.8)
    # 32 W at 12.8 V is 2.5 A: 21 days of the worked example at 0.9 L/kWh.
    assert asked.litres.median == pytest.approx(21 * 67.05 * 13.2 / 1000.0 * 0.9, rel=0.02)
    assert asked.litres.low < asked.litres.median < asked.litres.high
    # 32 W round the clock are 768 Wh a day, whatever the voltage.
    assert asked.load_wh.median == pytest.approx(768.0, rel=0.01)
    assert asked.load_wh.low == pytest.approx(12.8 * asked.load_ah.low)
    assert asked.days_seen is None
    assert not asked.flat_out
    assert need(Trip(21, 0, watts=200.0), None, CHARGER, PER_KWH, 12.8).flat_out
    assert need(Trip(21), None, CHARGER, PER_KWH, 12.8) is None, "nobody knows the load"


def days_of(under_way, days=30):
    """Make days that are at anchor or under way with this chance, with exact levels."""
    chance = np.tile([0.0, 1.0 - under_way, under_way], (days, 1))
    level = np.tile([0.3, 1.6, 2.5], (500, 1))
    return Kinds(level, np.zeros(500), chance.sum(axis=0), np.arange(days) * 86400.0, chance)


def test_days_whose_kind_is_in_doubt_widen_the_fuel():
    sure, unsure = days_of(1.0), days_of(0.4)
    # By hand: sum p (1 - p) / sum p; of days that are 0.4 under way, 0.6 is the chance of another.
    assert sure.doubt == pytest.approx([0.0, 0.0, 0.0])
    assert unsure.doubt == pytest.approx([0.0, 0.4, 0.6])
    for kinds, doubt in ((sure, 0.0), (unsure, 0.6)):
        asked = need(Trip(21), kinds, CHARGER, PER_KWH, 12.8).load_ah
        assert asked.median == pytest.approx(60.0, rel=0.01)
        spread = math.log(asked.high / asked.low) / (2.0 * 1.645)
        assert spread == pytest.approx(math.hypot(KIND_SD, DOUBT_SD * doubt), rel=0.05)
    narrow, wide = (need(Trip(21), k, CHARGER, PER_KWH, 12.8).litres for k in (sure, unsure))
    assert wide.high > narrow.high
    assert wide.low < narrow.low
    assert math.log(narrow.high / narrow.low) / 3.29 > PASSAGE_SD


def plan(**changes):
    asked = need(Trip(21, 5, watts=32.0), None, CHARGER, PER_KWH, 12.8)
    asked = replace(asked, litres=Span(28.0, 32.0, 36.0))
    day = datetime(2026, 6, 1, tzinfo=UTC).timestamp()
    base = Provision(asked, 3, 41.0, 12.5, 10.0, day, 14, None)
    return replace(base, **changes)


def test_what_to_buy_and_until_when():
    found = plan()
    assert found.containers == 4, "36 L suffice 19 times in 20"
    assert found.containers_aboard == 5
    assert found.buy == math.ceil((41.0 - 12.5) / 10.0)
    # Two weeks before the first of June.
    assert found.document()["order_by"] == "2026-05-18T00:00:00Z"
    assert plan(stock_l=50.0).buy == 0
    assert plan(stock_l=50.0).order_by_s is None
    assert plan(stock_l=None).buy == 5
    out = datetime(2026, 3, 15, tzinfo=UTC).timestamp()
    assert plan(depart_s=None, out_s=out).document()["order_by"] == "2026-03-01T00:00:00Z"


@pytest.mark.parametrize("width", [40, 80])
def test_the_sheet_says_it_all_on_one_screen(width):
    told = lines(plan(), "Dabchick", None, width, 0.0)
    assert max(map(len, told)) <= width
    text = " ".join(" ".join(told).split())
    for words in ("21 days under way and 5 at anchor", "32 L (28 to 36 L)", "3 more days under way",
                  "60 Ah (55 to 65 Ah), 770 Wh (710 to 830 Wh) a day",
                  "5 containers of 10 L", "at least 12.5 L", "3 containers of 10 L",
                  "2026-05-18: delivery takes 14 days", "licensed person"):  # fmt: skip
        assert words in text
    if width == 80:
        assert len(told) <= 23


def test_what_to_buy_where_nobody_knows_what_is_aboard():
    told = " ".join(" ".join(lines(plan(stock_l=None), "x", None, 80, 0.0)).split())
    assert "aboard now not known: name the sealed containers with --spare LITRES" in told
    assert "buy 5 containers of 10 L, less what is aboard" in told
    known = " ".join(" ".join(lines(plan(stock_l=12.0), "x", None, 80, 0.0)).split())
    assert "less what" not in known


def test_the_sheet_is_a_page_that_escapes_what_it_is_told():
    made = page(plan(), "<script>", "Made today.", "1", 0.0)
    assert "<script" not in made
    assert "5 containers of" in made
    assert "Methanol is toxic" in made


def test_american_units():
    read_by(Owner(units=Units(us=True)))
    # 1 US gallon is 3.785411784 L (NIST SP 811): 32 L are 8.5 gallons, 10 L are 2.64.
    text = " ".join(lines(plan(), "x", None, 100, 0.0))
    assert re.search(r"8\.5 US gal \(7\.4 to 9\.5 US gal\)", text)
    assert "containers of 2.64 US gal" in text
    assert Units(us=True).temperature(20.0) == "68 degF"
    # ASTM B258: AWG 10 is 5.26 mm2, 6 is 13.3 mm2, 1/0 is 53.5 mm2, 4/0 is 107 mm2.
    for number, area in ((10, 5.261), (6, 13.30), (0, 53.49), (-3, 107.2)):
        assert area_mm2(number) == pytest.approx(area, rel=1e-3)
        assert awg(area * 1.0005) == number
    assert awg(6.0) == 10, "no thicker wire than what is there"
    assert Units(us=True).cable(6.0) == "AWG 10"
    assert Units(us=True).cable(54.0) == "AWG 1/0"
    assert METRIC.cable(6.0) == "6 mm2"


def test_the_charger_now_is_that_of_its_last_two_hundred_hours():
    # Fifty runs of six hours: 80 W at 12.9 V, then 40 W.
    history = log(runs=50, loss=0.0, noise=0.0)
    ran = history.energy_j > 0.0
    run = np.repeat(np.arange(50), len(history) // 50)
    power = np.where(ran, np.where(run < 17, 80.0, 40.0), 0.0)
    history = replace(
        history, energy_j=power * 600.0, charge_c=power / 12.5 * 600.0,
        state=np.where(ran, history.state.max(), history.state),
    )  # fmt: skip
    runs = find_runs(history, RATED_W)
    found = charger_now(runs, 0.9, 150.0)
    # The last 200 of 300 h: two thirds of the run before are of the stronger time.
    hours = 198.0 + 2.0
    assert found.amps == pytest.approx((198.0 * 3.2 + 2.0 * 6.4) / hours, rel=1e-3)
    assert found.volts == pytest.approx(12.5)
    assert (found.efficiency, found.capacity_ah) == (0.9, 150.0)
    silent = replace(history, charge_c=np.full(len(history), np.nan))
    assert charger_now(find_runs(silent, RATED_W), 0.9, 150.0) is None


def spread_of(span):
    return math.log(span.high / span.low) / (2.0 * 1.6449)


def test_what_makes_the_fuel_of_a_passage_uncertain():
    # The load within 5 %, the passage within 6 %, and 15 % for a single day.
    for days in (1, 9, 100):
        asked = need(Trip(days, 0, watts=32.0), None, CHARGER, PER_KWH, 12.8)
        load = math.sqrt(0.05**2 + 0.06**2 + 0.15**2 / days)
        # A load of 1 % more asks for a little less than 1 % more: part of it is fed directly.
        share = 2.5 / CHARGER.amps * (1.0 / 0.85 - 1.0)
        assert spread_of(asked.litres) == pytest.approx(load / (1.0 + share), rel=0.04)
        assert spread_of(asked.load_ah) == pytest.approx(0.05, rel=0.04)
    # The battery may end a tenth of its capacity higher or lower: 0.1 * 300 Ah at 13.2 V.
    banked = replace(CHARGER, capacity_ah=300.0)
    one = need(Trip(100, 0, watts=32.0), None, CHARGER, PER_KWH, 12.8)
    two = need(Trip(100, 0, watts=32.0), None, banked, PER_KWH, 12.8)
    more = (0.396 * 0.9) / two.litres.median
    assert spread_of(two.litres) == pytest.approx(math.hypot(spread_of(one.litres), more), rel=0.03)
    # Litres per kWh count as they are drawn.
    half = need(Trip(100, 0, watts=32.0), None, CHARGER, 0.5 * PER_KWH, 12.8)
    assert half.litres.median == pytest.approx(0.5 * one.litres.median)
    assert half.kwh == pytest.approx(one.kwh)


def test_days_under_way_and_at_anchor_have_their_own_loads():
    kinds = days_of(1.0)
    both = need(Trip(10, 20), kinds, CHARGER, PER_KWH, 12.8)
    way, anchor = (supply_kwh(np.array([a]), CHARGER)[0] for a in (2.5, 1.6))
    assert both.kwh == pytest.approx(10 * way + 20 * anchor, rel=0.01)
    assert both.days_seen == 30.0
    assert not both.few
    assert need(Trip(1), days_of(1.0, 9), CHARGER, PER_KWH, 12.8).few
    assert not need(Trip(1), days_of(1.0, 10), CHARGER, PER_KWH, 12.8).few
    assert (both.trip.days, both.trip.longer(3)) == (30, Trip(13, 20))


def test_flat_out_is_nearly_all_that_it_gives():
    # 24 h of 110 W carry 8.33 A: at 0.985 of that it runs round the clock, at 0.97 it does not.
    for part, told in ((0.985, True), (0.96, False)):
        asked = 110.0 * part
        found = need(
            Trip(400, 0, watts=asked), None, replace(CHARGER, efficiency=1.0), PER_KWH, 13.2
        )
        assert found.kwh <= 2.64 * 400
        assert found.flat_out is (found.kwh >= 0.98 * 2.64 * 400)
        assert told or not found.flat_out


def test_what_is_aboard_and_what_is_missing():
    stock = Stock(PER_KWH, 4.0, 10.0, 99.0)
    found = provision(
        stock, Trip(21, 0, watts=32.0), None, CHARGER, 12.8,
        reserve_d=3, spare_l=20.0, depart_s=None, delivery_d=14,
    )  # fmt: skip
    longer = need(Trip(24, 0, watts=32.0), None, CHARGER, PER_KWH, 12.8)
    assert found.aboard_l == longer.litres.high
    assert (found.stock_l, found.reserve_d, found.out_s) == (24.0, 3, 99.0)
    assert found.reserve_l == pytest.approx(longer.litres.high - found.litres.median)
    open_ = provision(
        replace(stock, left_l=None), Trip(21, 0, watts=32.0), None, CHARGER, 12.8,
        reserve_d=3, spare_l=20.0, depart_s=None, delivery_d=14,
    )  # fmt: skip
    # The container in use counts as empty where nobody knows what is left in it.
    assert open_.stock_l == 20.0
    unknown = provision(
        replace(stock, left_l=None), Trip(21, 0, watts=32.0), None, CHARGER, 12.8,
        reserve_d=3, spare_l=0.0, depart_s=None, delivery_d=14,
    )  # fmt: skip
    assert unknown.stock_l is None
    assert unknown.buy == unknown.containers_aboard
    nothing = provision(
        stock, Trip(21), None, CHARGER, 12.8, reserve_d=3, spare_l=0.0, depart_s=None, delivery_d=14
    )
    assert nothing is None


def test_the_document_of_a_passage():
    told = plan(stock_l=12.5111, aboard_l=41.0555).document()
    assert (told["days"], told["days_under_way"], told["days_at_anchor"]) == (26, 21, 5)
    assert told["litres"] == {"low": 28.0, "median": 32.0, "high": 36.0}
    assert (told["stock_litres"], told["aboard_litres"], told["reserve_litres"]) == (
        12.51,
        41.06,
        9.06,
    )
    assert (told["containers"], told["aboard_containers"], told["buy_containers"]) == (4, 5, 3)
    assert (told["days_under_way_seen"], told["watts"], told["few_days_seen"]) == (
        None,
        32.0,
        False,
    )
    odd = replace(plan().need, litres=Span(28.00449, 32.12345, None), kwh=35.12345)
    told = plan(need=odd).document()
    assert told["litres"] == {"low": 28.0, "median": 32.12, "high": None}
    assert told["kwh"] == 35.123
    seen = replace(odd, days_seen=9.96)
    assert plan(need=seen).document()["days_under_way_seen"] == 10.0
    assert plan(need=seen).document()["few_days_seen"] is True
    # A container that is exactly full is one.
    assert plan(aboard_l=40.0).containers_aboard == 4
    assert plan(aboard_l=40.0, stock_l=20.0).buy == 2
    assert plan(depart_s=None, out_s=None).order_by_s is None
