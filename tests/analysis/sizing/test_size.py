"""Sizing: the worked example of the trade, candidates, audit and what is refused."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.assessment.document import Verdict
from analysis.figures import rounded
from analysis.inputs.meters import AT_WHICH, MEASURE_REASON
from analysis.show.screen.sizing import lines
from analysis.sizing.cable import advise, choose
from analysis.sizing.candidates import EXAMPLES, Unit, read_audit, read_candidates
from analysis.sizing.result import Fitted
from analysis.sizing.size import audit_days, bank_ah, size
from logger.errors import ConfigError
from tests.conftest import ROOT
from tests.support.boats.needs import need_of
from tests.support.configurations import AFT_LOCKER

FIXTURES = ROOT / "fixtures"


def example_need(ah=60.0, days=365.25):
    """Every day 60 Ah, lead-acid at 0.85: the trade's worked example of sizing."""
    return need_of(np.full(100, ah), days)


def test_worked_example_60_ah_a_day():
    # Worked example after IEEE 1013's order of steps, factors common practice: 60 Ah a day on
    # lead-acid is 70.6 Ah to supply, 0.93 kWh; the bank 60 x 2 / 0.5 / 0.8 = 300 Ah.
    need = example_need()
    assert need.supply_wh.mean() == pytest.approx(932, abs=1)
    assert bank_ah(60.0, "agm") == pytest.approx(300.0)
    # By hand: a load that never changes needs 60 / 24 = 2.5 A round the clock, at the 12.9 V of a
    # bank that is just carried (12.6 V rested, 0.3 V above it), 32.2 W: what goes straight to the
    # load never passes the bank. With 38.8 W (70.6 Ah at 13.2 V) the trade is safe.
    assert need.limit_w == pytest.approx(32.2, rel=0.05)
    assert need.limit_w < 38.8
    units = tuple(Unit(f"{w} W", float(w), 0.9, 7500.0) for w in (30, 38, 44, 80))
    found = size(need, units, end_fraction=0.8)
    # 44 x 0.8 = 35.2 W, 38 x 0.8 = 30.4 W.
    assert found.recommended == "44 W"
    assert found.judged[0].carried_new < 0.2
    assert found.judged[3].carried_end == pytest.approx(1.0)


def test_a_bank_bridges_a_hard_day_that_the_charger_alone_does_not():
    # By hand: 40 Ah a day and every tenth day 100 Ah. 45 W give 3.41 A, 82 Ah a day: on the hard
    # day 18 Ah are missing, which 300 Ah used to one half have; the mean, 46 Ah, needs 25 W.
    loads = np.where(np.arange(200) % 10 == 9, 100.0, 40.0)
    need = need_of(loads)
    assert need.lived.days_carried(45.0) == pytest.approx(1.0, abs=0.01)
    assert need.limit_w < 45.0
    assert need.limit_w > 46.0 / 24.0 * 13.2 * 0.97
    # The 95th percentile day, 100 Ah at 0.85, would have asked for 65 W.
    assert np.percentile(need.supply_wh, 95) / 24.0 == pytest.approx(64.7, abs=0.1)


def test_the_fitted_unit_is_judged_as_it_is_today():
    need = example_need()
    fitted = Unit("aft locker", 110.0, 0.9, 7500.0, fitted=True)
    twin = Unit("aft locker, new", 110.0, 0.9, 7500.0)
    worn = Fitted(output=0.62, remaining_h=100.0, verdict=Verdict.PLAN)
    found = size(need, (fitted, twin), end_fraction=0.6, today=worn)
    assert found.recommended == "aft locker, new"
    old = next(j for j in found.judged if j.unit.fitted)
    # 932 Wh a day at the mean of 62 and 60 % of 110 W: 13.9 h a day, so 100 h last a week.
    assert old.hours_a_day == pytest.approx(932 / (110 * 0.61), rel=2e-3)
    assert old.years == pytest.approx(100.0 / (365.25 * 932 / (110 * 0.61)), rel=2e-3)
    assert old.years_design == math.inf, "its design hours have no limit"
    # Design hours that are left count beside the loss of output: 150 h last half as long again.
    counted = size(need, (fitted, twin), end_fraction=0.6, today=replace(worn, design_left_h=150.0))
    old = next(j for j in counted.judged if j.unit.fitted)
    assert old.years_design == pytest.approx(1.5 * old.years, rel=1e-9)
    # Where no end is forecast: from 62 to 60 % of rated at 4 % in 1000 h are 500 h.
    dark = Fitted(output=0.62, remaining_h=None, verdict=Verdict.PLAN, design_left_h=150.0)
    blind = size(need, (fitted, twin), end_fraction=0.6, decline_per_1000h=0.04, today=dark)
    old = next(j for j in blind.judged if j.unit.fitted)
    assert old.years_decline == pytest.approx(500.0 / 150.0 * old.years_design)
    assert found.reasons[1].endswith("plan its replacement"), "it was measured"
    unsure = replace(worn, to_measure=True)
    asked = size(need, (fitted, twin), end_fraction=0.6, today=unsure).reasons
    assert asked[1] == (f"fitted unit at 62 %: plan its replacement {MEASURE_REASON}; {AT_WHICH}")
    sound = Fitted(output=0.95, remaining_h=4000.0, verdict=Verdict.SOUND)
    assert size(need, (fitted, twin), end_fraction=0.6, today=sound).recommended == "aft locker"


def test_cable_follows_iec_60228_by_hand():
    # IEC 60228:2004, class 5/6 tinned: 2.5 mm2 8.21, 1.5 mm2 13.7 ohm/km. 50 W at 12 V are 4.17 A;
    # 8 m of conductor at 50 degC (factor 1.12): 2.5 mm2 lose 0.307 V (2.6 %), 1.5 mm2 0.511 V.
    found = choose(50.0, 1, 4.0, 0.03)
    assert found.cross_section_mm2 == 2.5
    assert found.drop_v == pytest.approx(50 / 12 * 8 * 8.21e-3 * 1.12, rel=1e-6)
    assert choose(50.0, 1, 4.0, 0.05).cross_section_mm2 == 1.5
    # Twice the voltage: half the current on twice the drop.
    assert choose(50.0, 2, 4.0, 0.03).cross_section_mm2 == 1.0
    assert choose(5000.0, 1, 50.0, 0.03) is None
    advice = advise(50.0, 1, 4.0, 0.03)
    assert advice.words() == (
        "Cable: 2.5 mm2 tinned, 4 m one way: 4.2 A lose 0.31 V, 2.6 % (IEC 60228)."
    )
    # Both are the document's alone: on the screen the last line sends fuses to the maker.
    assert advice.document()["copper_c"] == 50.0
    assert "maker's manual" in advice.document()["fuse"]
    assert advise(50.0, 1, None, 0.03).document()["withheld"] == "give its length with --length M"


def test_larger_load_needs_a_larger_unit_or_none():
    units = tuple(Unit(f"{w} W", float(w), 0.9, 7500.0) for w in (44, 54))
    found = size(example_need(), units, end_fraction=0.8)
    # 33 W, 40 W and 50 W at 80 %: 41, 50 and 62 W new.
    assert [(g.load, g.recommended) for g in found.grown] == [
        (1.0, "44 W"), (1.2, "54 W"), (1.5, None),
    ]  # fmt: skip


def test_hours_years_and_litres_follow_by_hand():
    found = size(
        example_need(days=200.0),
        (Unit("60 W", 60.0, 0.9, 6000.0, price=3000.0),),
        end_fraction=0.6,
        decline_per_1000h=0.1,
        fuel_price=4.0,
    )
    one = found.judged[0]
    # Mean output over life 48 W: 932 Wh take 19.4 h, 3882 h a year on 200 days.
    assert one.hours_per_year == pytest.approx(931.8 / 48.0 * 200.0, rel=1e-3)
    assert one.years_design == pytest.approx(6000.0 / one.hours_per_year)
    # 40 % lost at 10 % per 1000 h: 4000 h, which comes first.
    assert one.years == pytest.approx(4000.0 / one.hours_per_year)
    # Fuel: 186 kWh at 0.9 L, times the mean of one over output from 1 to 0.6: 1.277.
    assert one.litres_per_year == pytest.approx(186.35 * 0.9 * 1.277, rel=2e-3)
    assert one.cost_per_year == pytest.approx(3000.0 / one.years + 4.0 * one.litres_per_year)
    assert one.price_per_year == pytest.approx(3000.0 / one.years)
    assert one.fuel_per_year == pytest.approx(4.0 * one.litres_per_year)
    (told,) = [r for r in found.reasons if r.startswith("cost a year")]
    fuel = f"{round(one.fuel_per_year, -1):.0f}"
    assert f"{one.litres_per_year:.0f} L at 4.00 are {fuel}" in told


def test_small_unit_flat_out_is_said_plainly():
    units = (Unit("40 W", 40.0, 0.9, 7500.0), Unit("70 W", 70.0, 0.9, 7500.0))
    found = size(example_need(), units, end_fraction=0.6)
    assert found.recommended == "70 W"
    assert any("flat out" in reason for reason in found.reasons)


def test_growth_says_what_the_fitted_one_would_still_carry():
    need = example_need()
    fitted = Unit("aft locker", 61.0, 0.9, 7500.0, fitted=True)
    found = size(need, (fitted,), end_fraction=0.6)
    # 37 W when old: 32 W are enough for the load of now, 39 and 48 W are not.
    shares = [g.fitted_carried_end for g in found.grown]
    assert shares[0] == pytest.approx(1.0)
    assert shares[1] < 0.95
    assert shares[2] < 0.3


def test_of_two_of_one_size_the_fitted_one_stays():
    units = (Unit("80 W", 80.0, 0.9, 7500.0), Unit("zz", 80.0, 0.9, 7500.0, fitted=True))
    assert size(example_need(), units, end_fraction=0.8).recommended == "zz"


def test_a_larger_unit_at_part_load_is_shown_beside_the_recommended_one():
    units = tuple(Unit(f"{w} W", float(w), 0.9, 7500.0) for w in (70, 140))
    reasons = size(example_need(), units, end_fraction=0.6).reasons
    # 932 Wh a day: 16.6 h at the mean 56 W over its life, 8.3 h at 112 W.
    assert "the smallest to give that, runs 17 h on the mean day" in reasons[1]
    assert "the larger one, 140 W, would run 8 h on the mean day" in reasons[2]


def test_hardest_days_are_few_and_get_two_digits():
    found = size(example_need(), (Unit("70 W", 70.0, 0.9, 7500.0),), end_fraction=0.6)
    assert re.match(
        r"3[23] W and the battery carry 19 days in 20: 5[3-5] W when new", found.reasons[0]
    )


def test_labels_from_a_file_cannot_act_on_the_terminal():
    unit = Unit("\x1b[2Jbig", 80.0, 0.9, 7500.0)
    assert all(line.isprintable() for line in lines(
        size(example_need(), (unit,), end_fraction=0.6), ["By the log."], 80, guessed=False
    ))  # fmt: skip


def test_example_list_is_the_one_that_is_built_in():
    assert read_candidates(FIXTURES / "candidates.toml") == EXAMPLES


def test_audit_adds_up():
    audit = read_audit(FIXTURES / "audit.csv")
    rest = 0.2 * 4 + 0.2 * 4 + 0.1 * 24 + 0.2 * 10 + 1.5 * 24 + 1.0 * 2 + 0.4 * 4 + 3.0 * 3
    assert audit.rest_ah == pytest.approx(rest)
    # The table of a trade handbook: an autopilot with 1.5 A mean takes 36 Ah a day.
    assert audit.passage_ah > rest + 36.0
    days = audit_days(audit, 0.25)
    expected = 0.25 * audit.passage_ah + 0.75 * audit.rest_ah
    assert days.mean() == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no units"),
        ("[small]\nrated_w = 50\nl_per_kwh = 0.9\n", "design_life_h"),
        ("[small]\nrated_w = -1\nl_per_kwh = 0.9\ndesign_life_h = 7500\n", "rated_w"),
        ("[small]\nrated = 50\n", "rated_w"),
        ("small = 3\n", "must be a table"),
        ("[small\n", "not a valid TOML"),
        ("[small]\nrated_w = 50\ndesign_life_h = 7500\n", "line 1.*l_per_kwh is missing"),
    ],
)
def test_wrong_candidates_are_named(tmp_path, text, says):
    path = tmp_path / "list.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=says):
        read_candidates(path)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: missing columns: item, amps"),
        ("item,amps,hours_rest\na,1,2\n", "hours_passage"),
        ("item,amps,hours_rest,hours_passage\na,x,2,3\n", "line 2: amps is 'x'"),
        ("item,amps,hours_rest,hours_passage\na,1,25,3\n", "line 2: hours_rest"),
        ("item,amps,hours_rest,hours_passage\na,1\n", "line 2: hours_rest is ''"),
        ("item,amps,hours_rest,hours_passage\n", "0 items"),
    ],
)
def test_wrong_audits_are_named(tmp_path, text, says):
    path = tmp_path / "audit.csv"
    path.write_text(text)
    with pytest.raises(ConfigError, match=says):
        read_audit(path)


@pytest.mark.parametrize("width", [40, 60, 80])
def test_one_screen_of_plain_letters_or_lines_that_fold(width):
    fitted = Unit("aft locker", 110.0, 0.9, 7500.0, fitted=True)
    found = size(example_need(), (*EXAMPLES, fitted), end_fraction=0.6)
    text = lines(found, ["By the log."], width, guessed=True)
    assert max(len(line) for line in text) <= width
    assert "\n".join(text).isascii()
    assert text[-1].endswith("decide.")
    assert len(text) <= {40: 49, 60: 36, 80: 23}[width]
    if width == 80:
        return
    # Nothing is left out: each unit with all that its row in the wide table holds, in its order.
    shown = " ".join(" ".join(text).split())
    for j in found.judged:
        watts = f"{j.unit.rated_w:.0f} W"
        name = watts if j.unit.label == watts else f"{j.unit.label}, {watts}"
        # Hours and costs to tens: the load is known to some percent.
        hours = rounded(j.hours_per_year, -1 if j.hours_per_year >= 100.0 else 0)
        cost = "-" if j.cost_per_year is None else rounded(j.cost_per_year, -1)
        assert (
            f"{name}: carries {100 * j.carried_new:.0f} % of days "
            f"new, {100 * j.carried_end:.0f} % old; {hours} h/year; years "
            f"{j.years_design:.1f} by design hours, ? by decline; L/year {j.litres_per_year:.0f}; "
            f"cost/year {cost} "
        ) in shown, j.unit.label
    assert len(found.reasons) == 5
    for reason in found.reasons:
        assert f" - {reason} " in shown, reason
    assert "more, which --json lists" not in shown


def test_a_long_list_shows_the_units_round_the_recommended_one_and_the_fitted():
    listed = tuple(Unit(f"{w} W", float(w), 0.9, 7500.0) for w in range(20, 120, 2))
    fitted = Unit("aft locker", 30.0, 0.9, 7500.0, fitted=True)
    found = size(example_need(), (*listed, fitted), end_fraction=0.6)
    text = lines(found, ["By the log."], 80, guessed=False)
    assert len(text) == 23
    shown = [line.split()[0] for line in text if line[21:23] == " W" and line[0] != "-"]
    # 32 W at 60 %: 53 W.
    assert "*aft" in shown
    assert "> 54 W" in {line[:6] for line in text}
    assert {"50", "52", "56"} <= set(shown)
    assert f"  and {len(listed) + 1 - len(shown)} more, which --json lists" in text


CONFIG = AFT_LOCKER + "[fuel]\n"


def test_an_audit_answers_where_there_is_no_log(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    audit = str(Path(FIXTURES / "audit.csv"))
    done = json.loads(ebbwatt("size", "--audit", audit, "--json", cwd=tmp_path).stdout)
    assert done["recommended"] == "aft locker"
    # By hand: 108 Ah in 24 h on passage are 59 W, which the bank eases a little for 30 % of days.
    assert 0.85 * 59.4 < done["needed_w"] < 1.05 * 59.4
    assert {c["label"] for c in done["candidates"]} >= {"50 W", "aft locker"}
    bare = ebbwatt("size", cwd=tmp_path, status=2)
    assert "name an audit table" in bare.stderr


def test_log_and_audit_are_compared(tmp_path, ebbwatt):
    ebbwatt("demo", "--out", "d", "--days", "60", cwd=tmp_path)
    audit = str(Path(FIXTURES / "audit.csv"))
    shown = ebbwatt("size", "--audit", audit, cwd=tmp_path / "d").stdout
    # By hand from the table: 54.6 Ah at rest and 108.2 on passage, which 30 % of the days are.
    logged = float(re.search(r"By the log: (\d+) Ah on the mean day", shown)[1])
    audited = r"By the audit: 71 Ah \(55 at rest, 108 on passage\), ([+-]\d+) %; the log is used\."
    assert float(re.search(audited, shown)[1]) == pytest.approx(100 * (70.7 / logged - 1), abs=2.5)
    # The bank is for two days of the log, half of it used, worn to 80 %.
    bank = float(re.search(r"\nBank: (\d+) Ah for 2 mean days", shown)[1])
    assert bank == pytest.approx(logged * 2 / 0.5 / 0.8, abs=3.0)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--days-a-year", "400"), "accepted: a number from 1 to 366"),
        (("--days-a-year", "0"), "accepted: a number from 1 to 366"),
        (("--passage-share", "2"), "accepted: a number from 0 to 1"),
        (("--fuel-price", "-1"), "accepted: a number above 0"),
        (("--candidates", "nope.toml"), "nope.toml: there is no such file. Each unit needs"),
        (("--audit", "nope.csv"), "nope.csv: there is no such file"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(tmp_path, ebbwatt, arguments, says):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    done = ebbwatt("size", *arguments, cwd=tmp_path, status=2)
    assert says in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_what_is_not_known_is_null_with_a_reason(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER)
    nothing = json.loads(ebbwatt("size", "--json", cwd=tmp_path).stdout)
    assert nothing["recommended"] is None
    assert nothing["reasons"] == ["the load is not known: there is no log yet"]
    assert {c["days_carried_end"] for c in nothing["candidates"]} == {None}
    audit = str(Path(FIXTURES / "audit.csv"))
    known = json.loads(ebbwatt("size", "--audit", audit, "--json", cwd=tmp_path).stdout)
    # A charger without fuel, no decline seen, and no price for the fitted one.
    assert {c["litres_per_year"] for c in known["candidates"]} == {None}
    assert set(known["withheld"]) == {"litres_per_year", "years_decline", "cost_per_year"}
    published = {"label", "rated_w", "days_carried_new", "days_carried_end", "hours_per_year",
                 "years", "litres_per_year"}  # fmt: skip
    for document in (nothing, known):
        assert {"candidates", "recommended", "reasons"} <= set(document)
        assert all(published <= set(c) for c in document["candidates"])


def test_a_candidate_of_the_fitted_ones_name_is_the_fitted_one(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    (tmp_path / "c.toml").write_text(
        '["aft locker"]\nrated_w = 110\nl_per_kwh = 0.9\ndesign_life_h = 7500\nprice = 5000\n'
    )
    audit = str(Path(FIXTURES / "audit.csv"))
    done = ebbwatt("size", "--audit", audit, "--candidates", "c.toml", "--json", cwd=tmp_path)
    new, fitted = json.loads(done.stdout)["candidates"]
    if new["fitted"]:
        new, fitted = fitted, new
    # What the list names is the unit as it would be bought.
    assert fitted["fitted"]
    assert fitted["label"] == "aft locker"
    assert new["label"] == "aft locker, new"
    assert new["cost_per_year"] > 0
    assert new["cost_per_year"] == pytest.approx(new["price_per_year"], rel=1e-3)


def test_an_audit_needs_no_configuration(tmp_path, ebbwatt):
    audit = str(Path(FIXTURES / "audit.csv"))
    done = json.loads(ebbwatt("size", "--audit", audit, "--json", cwd=tmp_path).stdout)
    assert done["recommended"] in {"75 W", "110 W", "160 W"}
    assert not any(c["fitted"] for c in done["candidates"])
    assert done["cable"]["withheld"] == "give its length with --length M"
    long = json.loads(
        ebbwatt("size", "--audit", audit, "--length", "3", "--json", cwd=tmp_path).stdout
    )
    assert long["cable"]["drop"] <= 0.03
    assert "no configuration" in ebbwatt("size", cwd=tmp_path, status=2).stderr


def test_an_audit_of_a_24_v_boat(tmp_path, ebbwatt):
    audit = str(Path(FIXTURES / "audit.csv"))
    (tmp_path / "ebbwatt.toml").write_text(CONFIG + "[battery]\ncharge_ceiling_v = 28.4\n")
    double = json.loads(ebbwatt("size", "--audit", audit, "--json", cwd=tmp_path).stdout)
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    single = json.loads(ebbwatt("size", "--audit", audit, "--json", cwd=tmp_path).stdout)
    assert "(24 V)" in double["basis"][0]
    # The same amperes at twice the voltage: twice the energy.
    assert double["needed_w"] == pytest.approx(2.0 * single["needed_w"], rel=0.02)
