"""What a boat needs: by her log, else by an audit; each path by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment.document import Verdict
from analysis.estimate import Span
from analysis.inputs.meters import MEASURE
from analysis.load.usual_bank import EFFICIENCY
from analysis.sizing import needs
from analysis.sizing.candidates import Audit
from analysis.sizing.needs import find_need
from logger.config import BatteryConfig, FuelConfig
from logger.durations import YEAR_D

BANK = BatteryConfig(200.0, "agm")
AUDIT = Audit(rest_ah=50.0, passage_ah=90.0, items=7)
#: 2025-06-30, noon UTC.
LAST_S = 1751284800.0


def load_of(**what):
    """Return ten days of 60 Ah on a bank that gives back 0.8 of what it takes."""
    usual = {
        "ah": Span(58.0, 60.0, 62.0), "boat_ah": Span(58.0, 60.0, 62.0), "ah_p95": 75.0,
        "voltage_v": 12.8, "efficiency": 0.8,
        "draw_ah": np.full((3, 10), 60.0), "daily_s": np.array([LAST_S]), "days_used": 10,
        "doubts": ("a doubt",), "shared": False, "withheld": None,
        "rare_withheld": lambda: "rare days are missing",
    }  # fmt: skip
    return SimpleNamespace(**usual | what)


def case_of(load=None, kwh_a_year=None, slope=(0.01, 0.05, 0.09), verdict=Verdict.SOUND, **what):
    assessment = SimpleNamespace(
        decline_per_1000h=Span(*slope), output=Span(0.7, 0.72, 0.74), verdict=verdict, until="load",
        remaining_h=Span(100.0, 300.0, 500.0), advice=(),
    )  # fmt: skip
    year = None
    if kwh_a_year is not None:
        year = SimpleNamespace(kwh_per_year=lambda: Span(None, kwh_a_year, None))
    usual = {
        "load": load or load_of(), "carried": "lived", "assessment": assessment,
        "use": SimpleNamespace(year=year), "config": SimpleNamespace(fuel=None), "evidence": None,
    }  # fmt: skip
    return SimpleNamespace(**usual | what)


@pytest.fixture(autouse=True)
def _design(monkeypatch):
    monkeypatch.setattr(needs, "design_hours_left", lambda *_: None)


def needed(case=None, audit=None, share=0.25, days=None, bank=BANK):
    return find_need(case, bank, audit, share, days)


def test_the_log_gives_what_must_be_supplied():
    found = needed(case_of())
    # 60 Ah drawn are 75 Ah to supply; at 13.2 V that is 990 Wh.
    assert found.need.supply_wh == pytest.approx(np.full(30, 990.0))
    assert (found.need.lived, found.need.blocks) == ("lived", 1)
    assert found.need.days_a_year == YEAR_D
    assert found.words[0] == (
        "By the log: 60 Ah on the mean day, up to 75 Ah on 19 days in 20 (10 days to 2025-06-30); "
        "the charger carries the boat on 365 days a year."
    )
    assert found.words[1] == "a doubt"
    sunny = needed(case_of(load_of(shared=True))).words[0]
    assert sunny.startswith("By the log: 60 Ah from the charger on the mean day")
    double = needed(case_of(load_of(voltage_v=25.6))).need
    assert (double.blocks, float(double.supply_wh.mean())) == (2, pytest.approx(1980.0))


def test_the_days_a_year_are_those_that_are_told_else_those_of_the_log():
    # 198 kWh a year at 0.99 kWh a day.
    assert needed(case_of(kwh_a_year=198.0)).need.days_a_year == pytest.approx(200.0)
    assert needed(case_of(kwh_a_year=500.0)).need.days_a_year == YEAR_D
    assert needed(case_of(kwh_a_year=198.0), days=90.0).need.days_a_year == 90.0


@pytest.mark.parametrize(
    ("slope", "told"),
    [((0.01, 0.05, 0.09), 0.05), ((0.0, 0.05, 0.1), None), ((None, None, None), None)],
)
def test_only_a_decline_that_is_clear_counts(slope, told):
    assert needed(case_of(slope=slope)).decline_per_1000h == told


def test_an_audit_beside_a_log_is_compared_with_it():
    # A quarter on passage: 0.25 x 90 + 0.75 x 50 = 60 Ah; with 0.5 it is 70.
    assert needed(case_of(), AUDIT).words[1] == (
        "By the audit: 60 Ah (50 at rest, 90 on passage), +0 %; the log is used."
    )
    assert "70 Ah (50 at rest, 90 on passage), +17 %" in needed(case_of(), AUDIT, 0.5).words[1]
    # Beside the sun an audit is compared with what the boat uses, not with the charger's part.
    sunny = load_of(shared=True, boat_ah=Span(58.0, 80.0, 120.0))
    assert needed(case_of(sunny), AUDIT).words[1] == (
        "By the audit: 60 Ah (50 at rest, 90 on passage), -25 % beside the 80 Ah that she uses in "
        "all; the log is used."
    )
    windy = load_of(shared=True, boat_ah=Span(58.0))
    assert needed(case_of(windy), AUDIT).words[1].endswith("90 on passage); the log is used.")


def test_without_a_log_the_audit_gives_the_need():
    found = needed(audit=AUDIT, days=120.0)
    need = found.need
    # Of each ampere-hour the usual part of this chemistry is kept; at 13.2 V.
    kept = EFFICIENCY["agm"][0]
    assert float(need.supply_wh.mean()) == pytest.approx(60.0 / kept * 13.2, rel=0.02)
    assert need.load_ah == pytest.approx(60.0, rel=0.02)
    assert (need.blocks, need.days_a_year, found.decline_per_1000h) == (1, 120.0, None)
    (words,) = found.words
    assert words == (
        "By the audit of 7 items: 50 Ah a day at rest, 90 Ah on passage, 25 % of days on passage "
        "(12 V). A log would be more accurate."
    )
    assert needed(audit=AUDIT).need.days_a_year == YEAR_D
    bank = BatteryConfig(200.0, "agm", charge_ceiling_v=28.4, charge_efficiency=0.9)
    other = needed(audit=AUDIT, bank=bank).need
    assert other.blocks == 2
    assert float(other.supply_wh.mean()) == pytest.approx(60.0 / 0.9 * 26.4, rel=0.02)


@pytest.mark.parametrize(
    ("case", "why"),
    [
        (None, "there is no log yet"),
        (case_of(load_of(ah_p95=None, withheld="too few days")), "too few days"),
        (case_of(load_of(ah_p95=None)), "rare days are missing"),
    ],
)
def test_where_neither_tells_it_the_reason_is_told(case, why):
    found = needed(case)
    assert found.need is None
    assert found.words == (f"the load is not known: {why}",)
    assert needed(case, AUDIT).need is not None


def test_a_log_without_its_rare_days_does_not_tell_the_decline_either():
    assert needed(case_of(load_of(ah_p95=None)), AUDIT).decline_per_1000h is None
    # Without a life of the bank the audit gives the need, and the log the decline.
    bare = needed(case_of(carried=None), AUDIT)
    assert "By the audit of 7 items" in bare.words[0]
    assert bare.decline_per_1000h == 0.05


def test_the_fitted_unit_as_it_is(monkeypatch):
    today = needed(case_of()).today
    assert (today.output, today.remaining_h, today.due) == (0.72, 300.0, False)
    assert (today.l_per_kwh, today.to_measure, today.design_left_h) == (None, False, None)
    for verdict in (Verdict.PLAN, Verdict.REPLACE):
        worn = needed(case_of(verdict=verdict)).today
        assert (worn.due, worn.verdict, worn.until) == (True, verdict, "load")
    monkeypatch.setattr(needs, "design_hours_left", lambda *_: (100.0, 300.0))
    monkeypatch.setattr(needs, "fuel_of", lambda _: SimpleNamespace(l_per_kwh=Span(1.0, 1.2, 1.4)))
    case = case_of(config=SimpleNamespace(fuel=FuelConfig()))
    case.assessment.advice = (MEASURE,)
    today = needed(case).today
    assert (today.l_per_kwh, today.to_measure, today.design_left_h) == (1.2, True, 200.0)
    case.assessment.output = Span()
    assert needed(case).today is None
    assert needed(None, AUDIT).today is None
