"""The figures that a text tells, in order, held against the values that they stand for."""

import re

#: What holds digits and is no figure: dates, times of day, names of standards.
NO_FIGURE = re.compile(r"\d{4}-\d{2}(-\d{2})?( \d{2}:\d{2})?|(IEC|ASTM) \w+(-\d+)?")
FIGURE = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?")


def figures_in(text):
    """Return every figure of a text as it is printed; dates and standards are none."""
    return FIGURE.findall(NO_FIGURE.sub("", text))


def stands_for(printed, value):
    """Tell whether a printed figure is a value, rounded to its last digit.

    A whole number that ends in 0 may be rounded to tens, from a thousand on to 1 % of it.
    """
    places = len(printed.partition(".")[2])
    apart = 0.5 * 10.0**-places
    if not places and printed.endswith("0") and abs(float(printed)) >= 100.0:
        apart = max(5.0, 0.005 * abs(float(printed)))
    return abs(float(printed) - value) <= apart * (1.0 + 1e-9) + 1e-9


def assert_tells(text, values):
    """Hold every figure of a text against its value, in order: none is left over, none is missing.

    A value that the document rounds may be apart by that much.
    """
    printed = figures_in(text)
    pairs = list(zip(printed, values, strict=False))
    wrong = [(one, value) for one, value in pairs if not stands_for(one, value)]
    assert not wrong, (wrong[0], printed)
    assert len(printed) == len(values), (printed[len(values) :], values[len(printed) :])
