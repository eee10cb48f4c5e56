"""Numbers as devices write them."""

import pytest

from logger.sources.numerals import split_numeral


@pytest.mark.parametrize(
    ("text", "comma", "expected"),
    [
        ("13.52 V", False, (13.52, "V")),
        ("13,52V", True, (13.52, "V")),
        ("-.5", False, (-0.5, "")),
        ("1e3A", False, (1000.0, "A")),
    ],
)
def test_numerals(text, comma, expected):
    assert split_numeral(text, decimal_comma=comma) == expected


@pytest.mark.parametrize(
    ("text", "comma", "reason"),
    [
        ("13,52", False, "decimal comma"),
        ("13.52", True, "decimal point"),
        ("nan", False, "not a number"),
        ("inf", False, "not a number"),
        ("1e999", False, "not a finite number"),
        ("1.2.3", False, "not a number"),
        ("1_000", False, "not a number"),
        ("9" * 40, False, "too many digits"),
        ("", False, "not a number"),
    ],
)
def test_what_is_no_number(text, comma, reason):
    with pytest.raises(ValueError, match=reason):
        split_numeral(text, decimal_comma=comma)
