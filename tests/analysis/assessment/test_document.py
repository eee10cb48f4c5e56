"""The assessment document: its figures are those of the assessment, under their keys."""

import json
from dataclasses import fields

import numpy as np
import pytest

from analysis.assessment.account import HoursRow
from analysis.assessment.document import (
    DOCUMENT,
    Assessment,
    Curve,
    Reason,
    Step,
    Verdict,
    json_text,
)
from analysis.estimate import Span

T = 1_700_000_000.0  # 2023-11-14T22:13:20Z, by date(1)


def assessment(**what):
    given = {
        "label": "aft locker",
        "rated_w": 110.0,
        "fitted": "2022-04-18",
        "observed_from_s": T,
        "observed_to_s": T + 86400.0,
        "running_hours": 812.345,
        "energy_kwh": 70.123456,
        "charge_ah": 5300.126,
        "runs": 40,
        "source_limited_runs": 30,
        "battery_limited_runs": 10,
        "output": Span(0.61, 0.64, 0.66),
        "at_runtime_h": 4000.006,
        "decline_per_1000h": Span(0.07, 0.08, 0.09),
        "sag": 0.01,
        "steps": (Step(500.04, T, -0.04, -0.05, -0.03),),
        "until": "output",
        "remaining_h": Span(200.04, 470.06, 780.0),
        "remaining_date": Span(T + 86400.0, T + 2 * 86400.0, None),
        "withheld": None,
        "verdict": Verdict.PLAN,
        "reasons": (Reason("below_plan", "it is below"),),
        "plan_below": 0.75,
        "replace_below": 0.6,
        "design_life_h": None,
    }
    assert set(given) <= {field.name for field in fields(Assessment)}
    return Assessment(**(given | what))


def test_the_text_is_ascii_whatever_the_label_says():
    # So that no terminal acts on it.
    text = json_text(assessment(label="M\N{LATIN SMALL LETTER O WITH DIAERESIS}we\x1b[2J"))
    assert text.isascii()
    assert "\x1b" not in text
    assert (
        json.loads(text)["charger"]["label"] == "M\N{LATIN SMALL LETTER O WITH DIAERESIS}we\x1b[2J"
    )


def test_each_figure_stands_under_its_key():
    told = json.loads(json_text(assessment()))
    assert told["charger"] == {"label": "aft locker", "rated_w": 110.0, "fitted": "2022-04-18"}
    assert told["observed"] == {
        "from": "2023-11-14T22:13:20Z",
        "to": "2023-11-15T22:13:20Z",
        "running_hours": 812.35,
        "energy_kwh": 70.1235,
        "charge_ah": 5300.13,
        "runs": 40,
        "source_limited_runs": 30,
        "battery_limited_runs": 10,
    }
    output = told["output"]
    assert (output["low"], output["fraction"], output["high"]) == (0.61, 0.64, 0.66)
    assert output["watts"] == pytest.approx(0.64 * 110.0)
    assert output["at_runtime_h"] == 4000.01
    assert told["decline"] == {"per_1000h": 0.08, "low": 0.07, "high": 0.09, "sag": 0.01}
    assert told["steps"] == [
        {"runtime_h": 500.0, "date": "2023-11-14T22:13:20Z", "change": -0.04, "low": -0.05,
         "high": -0.03}
    ]  # fmt: skip
    assert told["remaining"]["hours"] == {"low": 200.0, "median": 470.1, "high": 780.0}
    assert told["remaining"]["date"]["high"] is None
    assert told["remaining"]["first"] is None
    chances = {"output": 0.51234, "load": 0.48766, "design_hours": 0.0}
    first = assessment(first=chances).document()["remaining"]["first"]
    assert first == {"output": 0.512, "load": 0.488, "design_hours": 0.0}
    assert told["remaining"]["date"]["low"] < told["remaining"]["date"]["median"]
    assert (told["verdict"], told["as_of"]) == ("plan", "2023-11-15T22:13:20Z")
    assert told["store"] is None


def test_what_is_not_known_is_null():
    told = assessment(output=Span(0.8, None, None), at_runtime_h=None, curve=None).document()
    assert told["output"]["watts"] is None
    assert told["output"]["fraction"] is None
    assert told["output"]["low"] == 0.8
    assert told["course"] is None


def test_the_account_keeps_its_rows():
    rows = (
        HoursRow("source", 500.0, used=True, runs=30),
        HoursRow("starting", 312.345, used=False),
    )
    told = assessment(account=rows).document()["hours_account"]
    assert told["all"] == 812.35
    assert [row["used"] for row in told["rows"]] == [True, False]
    assert sum(row["hours"] for row in told["rows"]) == pytest.approx(told["all"], abs=0.01)


@pytest.mark.parametrize("count", [1, 7, 39, 81, 500])
def test_the_course_is_thinned_and_keeps_its_ends(count):
    hours = np.linspace(100.0, 4000.0, count)
    ahead = np.linspace(4010.0, 6000.0, 50)
    both = np.concatenate((hours, ahead))
    course = Curve(both, both / 1e4, both / 1e4 - 0.01, both / 1e4 + 0.01, 4000.0).document()
    kept = course["runtime_h"]
    assert kept[0] == 100.0
    assert kept[-1] == pytest.approx(hours[-1], abs=0.1), "the present, and nothing of the forecast"
    assert len(kept) <= 81
    assert len(kept) >= min(count, 40)
    assert course["median"] == pytest.approx([h / 1e4 for h in kept], abs=1e-4)
    assert np.all(np.array(course["low"]) < np.array(course["median"]))


def test_how_many_digits_are_told():
    told = assessment(
        output=Span(0.611111111, 0.644444444, 0.666666666),
        since_start=Span(0.711111111, 0.744444444, 0.766666666),
        sensor_sd=0.012345678,
        decline_per_1000h=Span(0.071111111, 0.084444444, 0.096666666),
        sag=0.011111111,
        steps=(Step(500.04, T, -0.041234, -0.051234, -0.031234),),
        left_out={"warming up": 1.23456, "ending": 2.34567},
    ).document()
    assert told["output"] == {
        "fraction": 0.64444, "low": 0.61111, "high": 0.66667, "confidence": 0.9,
        "at_runtime_h": 4000.01,
        "since_start": {"fraction": 0.74444, "low": 0.71111, "high": 0.76667},
        "sensor_uncertainty": 0.01235, "watts": 70.89,
    }  # fmt: skip
    assert told["decline"] == {
        "per_1000h": 0.08444,
        "low": 0.07111,
        "high": 0.09667,
        "sag": 0.01111,
    }
    step = told["steps"][0]
    assert (step["change"], step["low"], step["high"]) == (-0.0412, -0.0512, -0.0312)
    assert list(told["left_out_hours"].items()) == [("ending", 2.35), ("warming up", 1.23)]
    assert told["schema"] == "ebbwatt/assessment/1"


def test_a_forecast_date_is_the_nearest_midnight():
    # 22:13 is nearer to the next one.
    told = assessment(remaining_date=Span(T, T - 0.5 * 86400.0, None)).document()
    assert told["remaining"]["date"] == {
        "low": "2023-11-15T00:00:00Z", "median": "2023-11-14T00:00:00Z", "high": None,
    }  # fmt: skip


def test_the_course_has_its_digits_and_every_so_many_points():
    hours = np.arange(100.0, 223.0)  # 123 hours: each third, and the last
    curve = Curve(hours + 0.04, hours / 777.0, hours / 888.0, hours / 666.0, 222.04)
    course = curve.document()
    assert course["runtime_h"] == [*np.arange(100.0, 222.0, 3.0), 222.0]
    assert course["median"][1] == round(103.0 / 777.0, 4)
    assert course["low"][1] == round(103.0 / 888.0, 4)
    assert course["high"][1] == round(103.0 / 666.0, 4)
    # The last point is not told twice.
    even = Curve(hours[:121], hours[:121], hours[:121], hours[:121], 220.0).document()
    assert even["runtime_h"][-2:] == [217.0, 220.0]
    nothing = Curve(hours, hours, hours, hours, 50.0).document()
    assert nothing["runtime_h"] == []


def test_a_document_is_known_by_its_first_bytes():
    head = json_text(assessment()).encode()
    assert DOCUMENT.is_one(head, b"")
    assert not DOCUMENT.is_one(b"[" + head, b"")
    assert not DOCUMENT.is_one(b"{" + b" " * 200 + head[1:], b"")
