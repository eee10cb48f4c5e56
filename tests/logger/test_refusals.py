"""Refusals stay within bounds and print safely whatever a device sends."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.refusals import LONGEST_SAMPLE, MOST_REASONS, OTHER, Refusals, printable


def test_counts_by_reason_and_keeps_the_first_sample():
    refusals = Refusals()
    refusals.count("bad checksum", b"$IIXDR*00")
    refusals.count("bad checksum", b"later")
    refusals.count("no terminator")
    assert refusals.total == 3
    assert refusals.by_reason == {"bad checksum": 2, "no terminator": 1}
    assert refusals.samples == {"bad checksum": "$IIXDR*00"}


def test_reasons_are_bounded_and_nothing_is_lost_from_the_total():
    refusals = Refusals()
    for number in range(1000):
        refusals.count(f"reason {number}", "x" * 10000)
    assert len(refusals.by_reason) == MOST_REASONS + 1
    assert refusals.by_reason[OTHER] == 1000 - MOST_REASONS
    assert refusals.total == sum(refusals.by_reason.values()) == 1000
    assert all(len(sample) <= LONGEST_SAMPLE for sample in refusals.samples.values())


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        (b"\x1b[2J", r"\x1b[2J"),
        ("a\r\nb", r"a\r\nb"),
        ("Dabchick \u202e", r"Dabchick \u202e"),
        (b"\xff\x00", r"\xff\x00"),
    ],
)
def test_control_bytes_are_spelt_out(raw, shown):
    assert printable(raw) == shown


@given(st.one_of(st.text(), st.binary()), st.integers(8, 100))
def test_whatever_arrives_prints_as_short_ascii(raw, longest):
    shown = printable(raw, longest)
    assert len(shown) <= longest
    assert all(" " <= character <= "~" for character in shown)
