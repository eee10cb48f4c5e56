"""The pool survives the death of a worker, and everything else is right."""

import pytest

from analysis.fleet.runner import ENDED, Failure, results
from tests.support.rigs.fleet_work import work


def done(items, workers):
    return dict(results(work, items, workers))


def test_every_item_is_done_once_and_an_error_is_its_own_alone():
    items = ["a", "raises no such thing", "b", "c"]
    expected = {
        "a": "A",
        "b": "B",
        "c": "C",
        "raises no such thing": Failure("ValueError: no such thing"),
    }
    assert done(items, 0) == expected
    assert done(items, 2) == expected


@pytest.mark.slow
def test_a_worker_that_is_killed_loses_nothing(tmp_path):
    items = [f"boat {k}" for k in range(6)]
    items.insert(2, f"once {tmp_path / 'killed'}")
    found = done(items, 2)
    assert found == {item: item.upper() for item in items}
    assert (tmp_path / "killed").exists()


@pytest.mark.slow
def test_a_boat_that_ends_its_worker_twice_is_given_up_by_name():
    items = ["a", "b", "dies", "c", "d", "e"]
    found = done(items, 2)
    assert found.pop("dies") == Failure(ENDED)
    assert found == {item: item.upper() for item in "abcde"}
