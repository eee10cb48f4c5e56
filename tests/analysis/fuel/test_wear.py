"""The course of the output as the fuel use takes it, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from analysis.fuel.wear import LEAST, wear_of


def case(output=(0.7, 0.8, 0.9), *, stopped=False, start_h=0.0):
    ends = dict(zip((0.05, 0.5, 0.95), output, strict=True))
    health = SimpleNamespace(
        output=ends.__getitem__,
        sites=SimpleNamespace(kh=np.array([0.1, 1.5])),
        fitted=np.array([0.95, 0.8]),
    )
    return SimpleNamespace(
        health=health,
        examined=SimpleNamespace(stopped=stopped),
        evidence=SimpleNamespace(life=SimpleNamespace(start_h=start_h)),
    )


def test_the_course_counts_in_hours_of_the_fitting():
    wear = wear_of(case(start_h=200.0))
    assert wear.at_h == pytest.approx([300.0, 1700.0])
    assert wear.output.tolist() == [0.95, 0.8]
    # 0.7 to 0.9 are 1.645 standard deviations each way.
    assert wear.relative_sd == pytest.approx(0.1 / 1.6448536 / 0.8, rel=1e-3)
    # A unit at 0.95 uses 1 / 0.95 of what one at its rated output does.
    assert wear.log_rise(300.0) == pytest.approx(-np.log(0.95))
    # Between the nodes a straight line, beyond them what they say.
    assert wear.log_rise(1000.0) == pytest.approx(-np.log(0.875))
    assert wear.log_rise(9000.0) == pytest.approx(-np.log(0.8))


def test_what_the_log_does_not_tell_is_not_used():
    assert wear_of(SimpleNamespace(health=None, examined=SimpleNamespace(stopped=False))) is None
    assert wear_of(case(stopped=True)) is None
    assert wear_of(case((0.2, LEAST, 0.4))) is None
    assert wear_of(case((0.2, LEAST + 0.01, 0.4))) is not None
