"""Which limit comes first, and which others are named beside it."""

import pytest

from analysis.assessment.first_limit import may_last, others, others_sentence
from analysis.estimate import Span

LEFT = Span(90.0, 200.0, 400.0)


def told(first, left=LEFT, until="output"):
    return others(until, first, left)


def test_a_limit_that_is_likely_enough_is_named_alone():
    # From eight in ten on.
    assert told({"output": 0.8, "load": 0.2}) == ""
    assert told({"output": 0.79, "load": 0.21}) == "this boat's load (chance 21 %)"


def test_others_are_named_from_one_in_ten_on_the_likelier_first():
    first = {"output": 0.5, "load": 0.1, "design_hours": 0.4}
    assert told(first) == "the design hours (chance 40 %) or this boat's load (chance 10 %)"
    assert told(first | {"load": 0.09}) == "the design hours (chance 40 %)"
    assert told(first, until="load") == (
        "the replacement limit (chance 50 %) or the design hours (chance 40 %)"
    )


def test_where_nothing_is_known_nothing_is_named():
    assert others(None, {"output": 0.5, "load": 0.5}, LEFT) == ""
    assert told({}) == ""
    assert told({"output": 0.5, "load": 0.5}, Span(90.0, None, None)) == ""


@pytest.mark.parametrize(
    ("left", "named"),
    [
        (Span(0.0, 0.0, 0.9), False),
        (Span(0.0, 0.0, 1.0), True),
        (Span(0.0, 0.0, None), True),
        (Span(0.0, 0.5, 0.9), True),
        (Span(0.0, -0.1, 0.0), False),
    ],
)
def test_behind_a_limit_that_was_reached_there_is_no_other(left, named):
    assert bool(told({"output": 0.5, "load": 0.5}, left)) is named


def test_hours_may_last_where_the_high_end_leaves_one():
    assert [may_last(Span(0.0, 0.0, high)) for high in (None, 1.0, 0.99)] == [True, True, False]


def test_the_sentence_stands_only_where_there_is_another_limit():
    assert others_sentence("output", {"output": 0.6, "load": 0.4}, LEFT) == (
        "Another limit may come first: this boat's load (chance 40 %)."
    )
    assert others_sentence("output", {"output": 1.0}, LEFT) == ""
