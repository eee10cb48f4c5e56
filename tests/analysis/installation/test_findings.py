"""A trend is a finding where it matters, not where chance alone makes it certain."""

import pytest

from analysis.estimate import Span
from analysis.installation.findings import findings
from analysis.installation.loop_resistance import Loop
from analysis.installation.result import Figures, FitCheck
from logger.config import UnitConfig

NONE = Span()


def check(loop=NONE, rise=NONE):
    newest = Figures(0.0, 1e7, 300.0, NONE, "", Loop(NONE, 0), NONE, NONE, 0, NONE, 0, 0.0, 0.0)
    return FitCheck(
        "aft locker", 110.0, None, 12.0, None, None, None, None, newest,
        Loop(loop, 60), rise, {}, {}, UnitConfig(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("milliohm", "asks"),
    [
        # At 110 W and 12 V (9.17 A), 0.5 % of 12 V is 6.5 mOhm.
        ((0.2, 0.6, 1.0), False),
        ((1.0, 6.0, 11.0), False),
        ((3.0, 7.0, 11.0), True),
        ((-1.0, 7.0, 15.0), False),
        ((-1.0, -0.6, -0.2), False),
    ],
)
def test_a_resistance_that_rises_by_little_is_no_finding(milliohm, asks):
    said = findings(check(loop=Span(*(value / 1000.0 for value in milliohm))))
    assert any("look at the joints first" in sentence for sentence in said) is asks


@pytest.mark.parametrize(
    ("kelvin", "asks"), [((0.02, 0.07, 0.12), False), ((0.5, 1.5, 2.5), True), ((-1, 2, 5), False)]
)
def test_a_warming_that_grows_by_little_is_no_finding(kelvin, asks):
    said = findings(check(rise=Span(*kelvin)))
    assert any("The warming grows" in sentence for sentence in said) is asks
