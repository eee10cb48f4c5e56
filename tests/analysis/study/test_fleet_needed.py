"""Units needed, told and counted: the study's own reckoning."""

from analysis.study.fleet.live import KINDS
from analysis.study.fleet.needed import Counted, judge, row


def test_a_fleet_needs_about_as_many_units_as_were_told():
    counted = judge(KINDS[0], 1, 0, boats=6)
    assert [c.quarter for c in counted] == list(range(1, 9))
    assert all(0 <= c.low <= c.high <= 6 for c in counted)
    assert all(0.9 <= c.expected <= 1 for c in counted)
    told, came = sum(c.mean for c in counted), sum(c.came for c in counted)
    assert 1 <= came <= 6
    # Six chances of one half have a standard deviation of 1.2.
    assert abs(told - came) < 3
    assert judge(KINDS[0], 1, 0, boats=6) == counted


def test_a_row_counts_the_intervals_that_hold():
    counted = [Counted(1, 1.25, 0, 2, came, 0.96) for came in (0, 2, 3, 1)]
    assert [c.holds for c in counted] == [True, True, False, True]
    # The interval of 3 of 4 by Clopper and Pearson 1934: 19.4 to 99.4 %.
    assert row(1, counted) == "| 1 | 4 | 5 | 6 | 75 (19 to 99) | 96 |"
    assert row(None, counted) == "| all |  | 5 | 6 | 75 | 96 |"
