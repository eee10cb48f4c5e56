"""One case computes each thing once, and hands on what the next room needs."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import pytest

from analysis.assessment import case as module
from analysis.assessment.case import Case
from analysis.estimate import Span
from analysis.fuel import outlook
from analysis.fuel.consumption import FuelUse
from analysis.fuel.result import FuelOutlook
from analysis.inputs.finding import Finding, Severity
from analysis.show.screen.fuel import lines as fuel_lines


def finding(code, severity):
    return Finding(code, severity, 0.0, code, "", "", "")


def prepared(**parts):
    """Return a case whose parts are given; what is not given would be computed."""
    found = Case(None, SimpleNamespace(services=(), charger=SimpleNamespace(fitted=None)))
    found.__dict__.update(parts)
    return found


def evidence(*findings):
    return SimpleNamespace(findings=findings)


@dataclass(frozen=True)
class Load:
    """What a case looks at of a load."""

    doubts: tuple[str, ...]


FOUND = Load(("other",))
FUEL = FuelOutlook(
    use=FuelUse(0.9, 0.02, ()), l_per_kwh=Span(0.8, 0.9, 1.0), litres_left=Span(),
    days_left=Span(), last_s=1000.0, litres_per_year=Span(), containers_per_year=Span(),
    kwh_per_day=1.0, days_used=30, passage=None, withheld={}, container_l=10.0, changes="none",
    mean_c=20.0, rated_w=100.0, battery_air_m3_per_h=None,
)  # fmt: skip
NOTE, DOUBT = finding("a", Severity.NOTE), finding("b", Severity.DOUBT)


def test_findings_of_the_runs_join_those_of_the_log():
    examined = SimpleNamespace(findings=(NOTE,), stopped=False, runs="runs")
    case = prepared(examined=examined, _judged=("health", evidence(DOUBT)))
    assert [f.code for f in case.findings] == ["b", "a"], "the worst first"
    assert (case.runs, case.health, case.evidence.findings) == ("runs", "health", (DOUBT,))
    stopped = SimpleNamespace(findings=(NOTE,), stopped=True, runs="runs")
    assert prepared(examined=stopped, _judged=(None, evidence(DOUBT))).findings == (NOTE,)


@pytest.mark.parametrize(
    ("health", "carried", "expected"),
    [("health", "carried", "limit"), (None, "carried", None), ("health", None, None)],
)
def test_the_load_is_asked_for_where_the_health_is_known(monkeypatch, health, carried, expected):
    asked = []
    monkeypatch.setattr(module, "assess", lambda *args: asked.append(args) or "assessment")
    monkeypatch.setattr(module, "replace", lambda made, **more: (made, more))
    monkeypatch.setattr(module, "limit_of", lambda lived: "limit")
    examined = SimpleNamespace(findings=(), stopped=False, runs="runs", jumps=("jump",))
    case = prepared(
        examined=examined, _judged=(health, evidence()), carried=carried, use="use", pattern="year"
    )
    if health is None:
        del case.__dict__["carried"]  # it would be computed, and cannot be
    assert case.assessment == ("assessment", {"service": ()})
    (args,) = asked
    assert args == (health, case.evidence, expected, "use", "year", case.config, (), ("jump",))


def test_figures_of_a_log_that_stops_every_conclusion_are_not_to_be_relied_on(monkeypatch):
    monkeypatch.setattr(module, "daily_load", lambda *_: FOUND)
    sound = prepared(examined=SimpleNamespace(findings=(NOTE, DOUBT), runs="runs"))
    assert sound.caution is None
    assert sound.load.doubts == ("other",)
    stop = replace(finding("c", Severity.STOP), text="The output stood at 150 % of rated. More.")
    case = prepared(examined=SimpleNamespace(findings=(DOUBT, stop), runs="runs"))
    assert case.caution.startswith(
        "Do not rely on these figures. The output stood at 150 % of rated. 'ebbwatt report'"
    )
    assert case.load.doubts == (case.caution, "other")
    monkeypatch.setattr(outlook, "wear_of", lambda _: None)
    monkeypatch.setattr(outlook, "fuel_outlook", lambda *_, **__: FUEL)
    case.__dict__["use"] = None
    told = outlook.fuel_of(case)
    assert told.document()["doubts"] == [case.caution]
    shown = " ".join(" ".join(fuel_lines(told, None, 80)).split())
    assert case.caution in shown
    assert FUEL.document()["doubts"] == []
    assert "rely" not in " ".join(fuel_lines(FUEL, None, 80))


def test_a_counter_that_jumped_back_may_be_another_unit(monkeypatch):
    gathered = SimpleNamespace(may_begin_h=None)
    asked = {}

    def gather(*args, **more):
        asked.update(more, args=args)
        return gathered

    monkeypatch.setattr(module, "gather", gather)
    monkeypatch.setattr(module, "replace", lambda found, **more: (found, more))
    monkeypatch.setattr(module, "health_of", lambda found, config: ("health", found))
    examined = SimpleNamespace(runs="runs", jumps=(), zero_sd=0.01, held="held", gain_sd=0.02)
    case = prepared(examined=examined)
    assert (case.health, case.evidence) == ("health", gathered)
    assert asked == {"args": ("runs", case.config, 0.01, "held"), "gain_sd": 0.02}
    jumps = tuple(SimpleNamespace(runtime_h=h) for h in (100.0, 300.0))
    examined = SimpleNamespace(runs="runs", jumps=jumps, zero_sd=0.01, held="held", gain_sd=0.02)
    assert prepared(examined=examined).evidence == (gathered, {"may_begin_h": 300.0})


def test_without_jobs_there_is_no_calendar(monkeypatch):
    asked = []
    monkeypatch.setattr(module, "service_calendar", lambda *args: asked.append(args) or ("due",))
    case = prepared(examined=SimpleNamespace(runs="runs"), pattern="year")
    assert case.service == ()
    assert asked == []
    case.history = SimpleNamespace(events="events")
    case.config = SimpleNamespace(
        services=("job",), charger=SimpleNamespace(fitted="day"), boat=SimpleNamespace(zone="zone")
    )
    assert case.service == ("due",)
    assert asked == [(("job",), "runs", "events", "day", "year", "zone")]
