"""Seasons that are imported once for all tests of this room."""

import pytest

from tests.support.boats.seasons import Season, aboard


@pytest.fixture(scope="session")
def season(tmp_path_factory):
    """Return a function from what a season is to its (history, config, course); each once."""
    known = {}

    def sailed(**what):
        key = repr(sorted(what.items()))
        if key not in known:
            known[key] = aboard(tmp_path_factory.mktemp("season"), Season(**what))
        return known[key]

    return sailed
