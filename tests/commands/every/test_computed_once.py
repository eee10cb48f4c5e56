"""What is dear is computed once a command, and only where the command shows it."""

import importlib
import pkgutil
import sys
from collections import Counter

import pytest

import analysis
from analysis import cli
from analysis.assessment import assess, two_runs, usage
from analysis.fuel import consumption
from analysis.health import evidence
from analysis.history import history, runs
from analysis.load import daily
from tests.support.pause import coverage_paused

DEAR = (
    history.load_fitting,
    runs.find_runs,
    evidence.gather,
    daily.daily_load,
    assess.assess,
    consumption.fuel_use,
    usage.usage,
    two_runs.two_runs,
)
EVERYTHING = {"find_runs", "gather", "daily_load", "assess", "usage", "fuel_use"}


def counting(patch):
    """Count the calls of what is dear, whichever module has it under whichever name."""
    for module in pkgutil.walk_packages(analysis.__path__, "analysis."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    counts = Counter()

    def counted(function):
        def call(*arguments, **keywords):
            counts[function.__name__] += 1
            return function(*arguments, **keywords)

        return call

    for function in DEAR:
        call = counted(function)
        for name, module in list(sys.modules.items()):
            if name.startswith("analysis."):
                for attribute, value in list(vars(module).items()):
                    if value is function:
                        patch.setattr(module, attribute, call)
    return counts


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Return the folder of a demonstration, and what making it computed how often."""
    folder = tmp_path_factory.mktemp("once") / "dabchick"
    with pytest.MonkeyPatch.context() as patch, coverage_paused():
        counts = counting(patch)
        # Long enough for a rise of the fuel use, which is held against the loss of output.
        assert cli.main(["demo", "--out", str(folder), "--days", "400"]) == 0
    return folder, counts


@pytest.fixture
def counted(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    return counting(monkeypatch)


@pytest.mark.parametrize(
    ("command", "needed"),
    [
        (("report",), {"gather", "daily_load", "assess"}),
        (
            ("report", "--html", "r.html", "--json", "a.json"),
            # Fuel stands beside the output.
            {"gather", "daily_load", "assess", "fuel_use", "two_runs"},
        ),
        (
            ("report", "--html", "r.html", "--dossier", "claim"),
            {"gather", "daily_load", "assess", "fuel_use", "two_runs"},
        ),
        (("report", "--commissioning", "c.html"), {"gather"}),
        (("fitting",), {"gather"}),
        # It says what the fitted unit uses in a year.
        (("size",), {"gather", "daily_load", "assess", "fuel_use"}),
        (("load",), {"daily_load"}),
        (("fuel",), {"gather", "daily_load", "assess", "fuel_use"}),
        # What a kilowatt-hour takes is expected from the output.
        (("fuel", "--json"), {"gather", "fuel_use"}),
    ],
)
def test_a_command_computes_what_it_shows_once(demo, counted, command, needed):
    with coverage_paused():
        assert cli.main([*command, "--config", str(demo[0] / "ebbwatt.toml")]) == 0
    if "assess" in needed:
        needed = needed | {"usage"}
    assert counted == dict.fromkeys({"load_fitting", "find_runs", *needed}, 1)


def test_the_dashboard_computes_everything_once(demo, counted):
    with coverage_paused():
        assert cli.main(["watch", "--once", "--config", str(demo[0] / "ebbwatt.toml")]) == 0
    assert counted == dict.fromkeys({"load_fitting", *EVERYTHING}, 1)


def test_the_demonstration_computes_everything_once(demo):
    assert demo[1] == dict.fromkeys({*EVERYTHING, "two_runs"}, 1)
