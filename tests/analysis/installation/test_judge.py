"""Whether a figure of a fitting keeps its limit."""

from types import SimpleNamespace

import pytest

from analysis.estimate import Span
from analysis.installation.judge import FAIL, OPEN, PASS, judged, limits


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (Span(1.0, 2.0, 3.0), PASS),
        (Span(3.0, 4.0, 5.0), OPEN),
        (Span(3.1, 4.0, 5.0), FAIL),
        (Span(1.0, 2.0, 3.1), OPEN),
        (Span(3.1, None, None), FAIL),
        (Span(1.0, None, None), OPEN),
        (Span(None, None, 3.0), PASS),
        (Span(), OPEN),
    ],
)
def test_a_limit_inside_the_interval_leaves_it_open(span, said):
    assert judged(span, 3.0) == said


def test_the_limits_and_where_they_are_from():
    # At 1 ohm the drop is 75 % of the voltage: 3 % of it are reached at 0.04 ohm.
    check = SimpleNamespace(drop=lambda ohm: 0.75 * ohm, iec_ohm=0.0123)
    found = limits(check)
    assert found["cable drop"] == (
        pytest.approx(0.04),
        "3 % (common practice, ABYC E-11 for feeders)",
    )
    limit_k, words = found["compartment warms by"]
    assert words == f"{limit_k:.0f} K (common practice)"
    assert found["cable resistance"] == (
        0.0123,
        "12.3 mOhm (IEC 60228, cable alone, 20 degC)",
    )
    unknown = SimpleNamespace(drop=lambda ohm: 0.75 * ohm, iec_ohm=None)
    assert "cable resistance" not in limits(unknown)
