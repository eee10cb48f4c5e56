"""What a test needs and is not there fails in CI and is skipped, with what to do, elsewhere."""

import pytest

from tests.support.missing import library, program


@pytest.mark.parametrize(("ci", "ends"), [("true", pytest.fail), ("", pytest.skip)])
def test_a_missing_program_or_package_fails_in_ci_alone(monkeypatch, ci, ends):
    monkeypatch.setenv("CI", ci)
    with pytest.raises(ends.Exception, match="program no-such: sudo apt-get install parcel"):
        program("no-such", "parcel")
    with pytest.raises(ends.Exception, match="package no_such: make test installs it"):
        library("no_such.module")
    assert program("sh", "dash").endswith("/sh")
    assert library("json").loads("1") == 1
