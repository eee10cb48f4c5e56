"""The pool survives the death of a worker, and everything else is right."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from analysis.fleet.engine.runner import ENDED, Failure, apart, prepare, results
from analysis.fleet.folder import Fleet
from analysis.fleet.intake import take
from logger.errors import EbbwattError
from tests.conftest import unmeasured
from tests.support.boats.fleet_boats import write_boat
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


def test_the_environment_is_left_as_it_was(monkeypatch):
    monkeypatch.delenv("PYTHONSAFEPATH", raising=False)
    assert done(["a"], 2) == {"a": "A"}
    assert "PYTHONSAFEPATH" not in os.environ
    monkeypatch.setenv("PYTHONSAFEPATH", "as it was")
    assert apart(partial(work, "a")) == "A"
    assert os.environ["PYTHONSAFEPATH"] == "as it was"


def test_work_apart_is_done_and_its_error_told():
    assert apart(partial(work, "a")) == "A"
    with pytest.raises(EbbwattError, match="ValueError: no such thing"):
        apart(partial(work, "raises no such thing"))
    with pytest.raises(EbbwattError, match="has ended"):
        apart(partial(work, "dies"))


def test_who_interrupts_work_apart_does_not_wait_for_it():
    def interrupt(*_):
        raise KeyboardInterrupt

    prepare()  # the time that a start takes is no part of it
    before = signal.signal(signal.SIGALRM, interrupt)
    signal.setitimer(signal.ITIMER_REAL, 0.5)
    begun_s = time.monotonic()
    try:
        with pytest.raises(KeyboardInterrupt):
            apart(partial(work, "slow 300"))
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    assert time.monotonic() - begun_s < 200.0
    assert not multiprocessing.active_children()


#: Names the process of a worker that has begun, and waits.
WAITS = """
from functools import partial
from analysis.fleet.engine.runner import apart, results
from tests.support.rigs.fleet_work import work
if __name__ == "__main__":
    name = "tells {path}"
    list(results(work, [name], 1)) if {pool} else apart(partial(work, name))
"""


@pytest.mark.parametrize("pool", [True, False])
def test_a_worker_ends_when_its_command_is_killed(tmp_path, child_env, pool):
    told, script = tmp_path / "told", tmp_path / "script.py"
    script.write_text(WAITS.format(path=told, pool=pool))
    command = subprocess.Popen([sys.executable, script], env=unmeasured(child_env))
    deadline = time.monotonic() + 200
    while not (told.exists() and told.read_text()):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    worker = Path("/proc", told.read_text())
    assert worker.exists()
    command.kill()
    command.wait()
    while worker.exists():
        assert time.monotonic() < deadline, "the worker is still there"
        time.sleep(0.01)


#: Says what the command itself has loaded.
COMMAND = """
import sys
from analysis import cli
if __name__ == "__main__":
    status = cli.main(sys.argv[1:])
    print("loaded:", *({"numpy", "scipy", "analysis.health"} & set(sys.modules)))
    sys.exit(status)
"""


@pytest.mark.slow
def test_a_pool_lists_the_same_and_loads_nothing_twice_nor_from_the_current_folder(
    tmp_path, empty_store, child_env
):
    """The workers have loaded what it takes, so the command need not."""
    script, here = tmp_path / "script.py", tmp_path / "stick"
    script.write_text(COMMAND)
    here.mkdir()
    for name in sys.stdlib_module_names:  # as on somebody else's stick
        (here / f"{name}.py").write_text(f"open({str(tmp_path / 'poisoned')!r}, 'w')")
    boats = [
        write_boat(tmp_path / f"boat{k}.db", empty_store, runs=40, loss=0.1, seed=k)
        for k in range(2)
    ]
    told = []
    for workers in (0, 2):
        fleet = Fleet(tmp_path / f"fleet{workers}", make=True)
        assert all(t.outcome == "taken" for t in take(fleet, boats))
        page, document = tmp_path / f"{workers}.html", tmp_path / f"{workers}.json"
        done = subprocess.run(
            [sys.executable, script, "fleet", "report", fleet.path, "--workers", str(workers),
             "--html", page, "--json", document],
            cwd=here, env=child_env, capture_output=True, text=True, check=True,
        )  # fmt: skip
        *screen, loaded = done.stdout.splitlines()
        assert set(loaded.split()[1:]) == (
            set() if workers else {"numpy", "scipy", "analysis.health"}
        )
        assert "report.html" in page.read_text()
        told.append((screen, json.loads(document.read_text()) | {"as_of": None}))
    assert told[0] == told[1]
    assert not (tmp_path / "poisoned").exists()
