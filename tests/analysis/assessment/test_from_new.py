"""A charger that is weak from its first day is doubted before it is replaced."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.assessment.from_new import weak_from_new
from analysis.inputs.clamp import KIND, clamp_text
from analysis.inputs.finding import Series, Severity
from analysis.show.phrases import next_actions
from logger.event import Event
from tests.support.boats import plain_log
from tests.support.configurations import config_for


def weak(fitted=date(2019, 4, 10), **what):
    config = config_for()
    config = replace(config, charger=replace(config.charger, fitted=fitted))
    assessment = Case(plain_log.log(**what), config).assessment
    return [f for f in assessment.inputs if f.code == "weak_from_new"], assessment


@pytest.mark.parametrize("level", [0.48, 0.65, 0.78])
def test_half_of_rated_on_the_first_day_is_a_wrong_figure_or_a_faulty_unit(level):
    (finding,), a = weak(level=level, loss=0.01)
    assert f"{100 * level:.0f} %" in finding.seen or f"{100 * level - 1:.0f} %" in finding.seen
    assert finding.what_to_do.startswith("Before you replace it")
    assert "rated_w = 110" in finding.what_to_do
    # The record cannot tell a weak unit from a wrong sensor, so nothing is ordered and no end told.
    assert a.verdict == ("sound" if level == 0.78 else "undetermined")
    assert (a.remaining_h.low is None) == (level != 0.78)
    if level != 0.78:
        assert a.reasons[0].code == "unit_or_place"
        assert "place" in a.withheld
        assert next_actions(a)[1].startswith("Do not order by this report")


@pytest.mark.parametrize(
    ("what", "said"),
    [
        # A hot place holds it down in nearly every hour; nobody logged how hot.
        ({"temperature": False, "loss": 0.02, "runs": 60}, "undetermined"),
        # The meters agree with the log and the compartment is cool: it is the unit.
        ({"measured": True, "loss": 0.02, "runs": 60}, "replace"),
        # The meters agree, but nobody knows how hot its place is.
        ({"measured": True, "temperature": False, "loss": 0.02, "runs": 60}, "undetermined"),
        # A used unit: its counter had 3000 h when the log began.
        ({"temperature": False, "loss": 0.02, "runs": 60, "start_h": 3000.0}, "replace"),
    ],
)
def test_a_weak_new_unit_is_replaced_where_heat_and_sensor_are_known(what, said):
    measured = what.pop("measured", False)
    log = plain_log.log(level=0.55, **what)
    if measured:
        at = int(np.flatnonzero(log.charge_c > 0.0)[-3])
        amps = float(log.charge_c[at] / log.duration_s[at])
        words = clamp_text(amps, float(log.voltage_mean_v[at]))
        log = replace(log, events=(Event(1, float(log.start_s[at]) + 300.0, KIND, None, words),))
    config = config_for()
    config = replace(config, charger=replace(config.charger, fitted=date(2019, 4, 10)))
    a = Case(log, config).assessment
    assert a.output.median == pytest.approx(0.55, abs=0.03)
    assert a.verdict == said


def test_a_new_unit_of_its_nameplate_and_one_that_wore_are_not_doubted():
    assert weak(level=0.97, loss=0.02)[0] == []
    assert weak(level=0.95, loss=0.9, runs=80)[0] == [], "it wore in the log"


def test_a_unit_that_was_not_new_when_the_log_began_is_not_doubted():
    assert weak(level=0.6, start_h=3000.0)[0] == []
    assert weak(level=0.6, fitted=date(2015, 4, 10))[0] == []
    assert weak(level=0.6, fitted=None)[0] == []


@pytest.mark.parametrize("fitted", [date(2019, 4, 10), date(2015, 4, 10), None])
@pytest.mark.parametrize("level", [0.1, 0.25])
def test_a_tenth_of_rated_is_no_output_whenever_it_was_fitted(level, fitted):
    (finding,), a = weak(level=level, loss=0.01, noise=0.001, fitted=fitted)
    assert finding.severity is Severity.STOP
    assert "divisor" in finding.what_to_do
    assert (a.verdict, a.output.low) == ("undetermined", None)
    assert a.reasons[0].code == "weak_from_new"


def test_a_charger_that_fails_in_the_log_is_not_taken_for_a_wrong_figure():
    found, a = weak(level=0.9, loss=1.0, runs=120)
    assert found == []
    assert a.verdict == "replace"


NONE = np.empty(0)
COURSE = Series("output by run", "% of rated", NONE, NONE)


def doubted(
    first, *, sd=0.0, systematic=0.0, gain_sd=0.0, counter=(), begun=0.0, renewed=False,
    temperature_c=(25.0,),
):  # fmt: skip
    """Ask about a charger that gave ``first`` at the start of its log."""
    begun_s = plain_log.BEGIN_S + 86400.0 * begun
    log = SimpleNamespace(start_s=np.array([begun_s]), runtime_h=np.array([np.nan, *counter]))
    runs = SimpleNamespace(log=type("Log", (), {"__len__": lambda _: 1, **vars(log)})())
    out = SimpleNamespace(temperature_c=np.array(temperature_c))
    evidence = SimpleNamespace(runs=runs, out=out, life=SimpleNamespace(renewed=renewed))
    health = SimpleNamespace(
        fitted=np.array([first, 0.1]), fitted_sd=np.array([sd, 9.0]), systematic=systematic,
        gain_sd=gain_sd,
    )  # fmt: skip
    config = config_for()
    config = replace(config, charger=replace(config.charger, fitted=date(2019, 4, 11)))
    return weak_from_new(health, evidence, config, COURSE)


def test_heat_is_a_cause_to_look_for_where_its_temperature_is_not_logged():
    cool, unknown = doubted(0.7), doubted(0.7, temperature_c=(np.nan,))
    assert "hot" not in cool.text + cool.what_to_do
    assert "the compartment is hot" in unknown.text
    assert "log temperature_c" in unknown.what_to_do


def test_the_upper_end_of_the_first_output_decides():
    assert doubted(0.849) is not None
    assert doubted(0.85) is None
    # 1.645 standard deviations: of the fit, of what all figures share, of the gain.
    hot = {"temperature_c": (np.nan,), "systematic": 0.1}
    assert doubted(0.849, **hot) is not None, "heat is a cause of the doubt, not against it"
    assert doubted(0.85, **hot) is None
    for what in ({"sd": 0.03}, {"systematic": 0.03}, {"gain_sd": 0.03 / 0.8}):
        assert doubted(0.800, **what) is not None
        assert doubted(0.801, **what) is None
    three = {"sd": 0.03, "systematic": 0.04, "gain_sd": 0.12 / 0.63}
    found = doubted(0.63, **three)  # 0.13 together
    assert found.seen == "63 % (at most 84 %)"
    assert found.expected == "at least 85 % of rated from a new charger"
    assert found.series.expected == 85.0
    assert "63 % of rated (69 W)" in found.text
    assert doubted(0.64, **three) is None


def test_a_new_unit_has_few_hours_and_days_behind_it():
    assert doubted(0.6, counter=[300.0]) is not None
    assert doubted(0.6, counter=[300.1]) is None
    assert doubted(0.6, counter=[10.0, 900.0]) is not None
    assert doubted(0.6, begun=14) is not None
    assert doubted(0.6, begun=15) is None
    assert doubted(0.6, renewed=True) is None
