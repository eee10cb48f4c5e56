"""A real scheduler with two workers: nothing is lost with a worker, nothing runs in the clear."""

import contextlib
import os
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from analysis.fleet.engine.remote import Scheduler, results_on
from analysis.fleet.engine.runner import ENDED, Failure
from analysis.fleet.engine.runner import results as local
from analysis.fleet.folder import Fleet
from analysis.fleet.intake import take
from logger.errors import EbbwattError, UsageError
from tests.conftest import ROOT, unmeasured
from tests.support.boats.fleet_boats import write_boat
from tests.support.boats.fleets import assess_fleet
from tests.support.missing import library
from tests.support.rigs.fleet_work import work

RIG = Path(__file__).parents[3] / "support" / "rigs" / "fleet_cluster.py"
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("default")]


@contextlib.contextmanager
def cluster(env, *arguments, workers=2):
    """Run a scheduler and its workers in processes of their own; give the address."""
    library("distributed")
    rig = subprocess.Popen(
        [sys.executable, str(RIG), str(workers), *map(str, arguments)],
        env=unmeasured(env),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        address = rig.stdout.readline().strip()
        assert address, "the cluster did not start"
        yield address
    finally:
        rig.communicate(timeout=200)


def sampling(enabled):
    """Return a cluster whose workers sample what they do, or do not. To start one takes seconds."""
    told = {"PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": str(enabled)}
    return cluster(os.environ | told)


@pytest.fixture(scope="module")
def sampled():
    with sampling(enabled=True) as address:
        yield address


@pytest.fixture(scope="module")
def left_alone():
    with sampling(enabled=False) as address:
        yield address


@pytest.mark.timeout(300)
def test_a_killed_worker_loses_nothing_and_who_kills_it_is_named(sampled, tmp_path):
    items = [f"boat {k}" for k in range(9)]
    items.insert(3, f"once {tmp_path / 'killed'}")
    items += ["raises no such thing", "dies"]
    found = dict(results_on(Scheduler(sampled), work, items, batch=3))
    assert (tmp_path / "killed").exists()
    assert found.pop("dies") == Failure(ENDED)
    assert found.pop("raises no such thing") == Failure("ValueError: no such thing")
    assert found == {item: item.upper() for item in items[:-2]}


@pytest.mark.timeout(300)
def test_who_waits_at_a_worker_that_dies_is_not_blamed_for_it(left_alone):
    # Each innocent one shares a batch with one that kills.
    items = [f"{kind} {k}" for k in range(2) for kind in ("dies", "boat")]
    found = dict(results_on(Scheduler(left_alone), work, items, batch=2))
    assert found == {
        item: Failure(ENDED) if item.startswith("dies") else item.upper() for item in items
    }


@pytest.mark.timeout(300)
def test_a_fleet_is_the_same_byte_by_byte_though_a_worker_is_killed(
    child_env, tmp_path, empty_store
):
    incoming = [
        write_boat(tmp_path / f"boat{k}.db", empty_store, runs=30 + k, loss=0.1, seed=k)
        for k in range(4)
    ]
    killed = []

    def assessed(name, runner, progress):
        fleet = Fleet(tmp_path / name, make=True)
        assert all(t.outcome == "taken" for t in take(fleet, incoming))
        for file in (f for boat in fleet.boats() for f in boat.iterdir()):
            os.utime(file, (1e9, 1e9))
        assess_fleet(fleet, 1.6e9, 0, 90, progress, runner)
        return {b.name: (b / "result.json").read_bytes() for b in fleet.boats()}

    near = assessed("near", local, lambda *_: None)
    with cluster(child_env) as address:

        def kill(done, of):
            if done == 1 and not killed:
                with library("distributed").Client(address, set_as_default=False) as client:
                    killed.extend(client.run(os.getpid).values())
                os.kill(killed[0], signal.SIGKILL)

        far = assessed("far", partial(results_on, Scheduler(address), batch=1), kill)
    assert len(killed) == 2
    assert len(near) == 4
    assert far == near


@pytest.mark.timeout(300)
def test_a_scheduler_without_workers_is_told_and_not_waited_for_without_end(child_env, monkeypatch):
    monkeypatch.setattr("analysis.fleet.engine.remote.LOOK_S", 0.1)
    monkeypatch.setattr("analysis.fleet.engine.remote.PATIENCE_S", 1.0)
    told = []
    with (
        cluster(child_env, workers=0) as address,
        pytest.raises(EbbwattError, match="has had no worker for 1 s"),
    ):
        list(results_on(Scheduler(address), work, ["a"], tell=told.append))
    assert told == ["the scheduler has no worker; start some (dask worker ADDRESS)"]


@pytest.mark.timeout(300)
@pytest.mark.parametrize(("which", "times"), [("sampled", 1), ("left_alone", 0)])
def test_workers_that_watch_themselves_are_told(request, which, times):
    told, address = [], request.getfixturevalue(which)
    with library("distributed").Client(address, set_as_default=False) as client:
        client.wait_for_workers(2, 60)
    assert dict(results_on(Scheduler(address), work, ["a"], tell=told.append)) == {"a": "A"}
    assert ["PROFILE__ENABLED=False" in words for words in told] == [True] * times


@pytest.mark.timeout(300)
def test_a_worker_that_joins_later_and_watches_itself_is_told_once(child_env, monkeypatch):
    monkeypatch.setattr("analysis.fleet.engine.remote.LOOK_S", 0.0)
    told, name = [], "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED"
    with (
        cluster(child_env | {name: "False"}, workers=1) as address,
        library("distributed").Client(address, set_as_default=False) as client,
    ):
        client.wait_for_workers(1, 60)
        found = results_on(Scheduler(address), work, ["a", "b", "c"], tell=told.append, batch=1)
        first = next(found)
        assert told == []
        late = subprocess.Popen(
            [sys.executable, "-m", "dask", "worker", address, "--no-nanny", "--no-dashboard"],
            env=unmeasured(child_env | {name: "True"}),
            stderr=subprocess.DEVNULL,
        )
        try:
            client.wait_for_workers(2, 120)
            assert dict([first, *found]) == {"a": "A", "b": "B", "c": "C"}
        finally:
            late.terminate()
            late.wait(60)
    assert ["PROFILE__ENABLED=False" in words for words in told] == [True]


def _openssl(folder, *arguments):
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


def _certificates(folder):
    """Make an authority and a certificate that it signed."""
    folder.mkdir()
    new = ("req", "-nodes", "-newkey", "rsa:2048")
    _openssl(folder, *new, "-x509", "-days", "2", "-subj", "/CN=authority",
             "-keyout", "ca.key", "-out", "ca.crt")  # fmt: skip
    _openssl(folder, *new, "-subj", "/CN=fleet", "-keyout", "ours.key", "-out", "ours.csr")
    _openssl(folder, "x509", "-req", "-days", "2", "-in", "ours.csr", "-CA", "ca.crt",
             "-CAkey", "ca.key", "-CAcreateserial", "-out", "ours.crt")  # fmt: skip
    return folder


@pytest.mark.timeout(300)
def test_certificates_must_match_on_both_sides(child_env, tmp_path, program, monkeypatch):
    program("openssl", "openssl")
    ours, others = _certificates(tmp_path / "ours"), _certificates(tmp_path / "others")
    monkeypatch.setattr("analysis.fleet.engine.remote.TIMEOUT_S", 5.0)

    def scheduler(address, ca, pair):
        return Scheduler(address, ca / "ca.crt", pair / "ours.crt", pair / "ours.key")

    with cluster(child_env, ours) as address:
        assert address.startswith("tls://127.0.0.1:")
        assert dict(results_on(scheduler(address, ours, ours), work, ["a"])) == {"a": "A"}
        for ca, pair in ((others, ours), (ours, others), (others, others)):
            with pytest.raises(EbbwattError, match="cannot be reached"):
                list(results_on(scheduler(address, ca, pair), work, ["a"]))


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("tcp://192.0.2.7:8786", "plain TCP is refused"),
        ("tcp://scheduler.example:8786", "plain TCP is refused"),
        ("tcp://127.0.0.1.example:8786", "plain TCP is refused"),
        ("tcp://0.0.0.0:8786", "plain TCP is refused"),
        ("tls://192.0.2.7:8786", "--tls-ca"),
        ("ucx://127.0.0.1:8786", "no address"),
        ("127.0.0.1:8786", "no address"),
        ("tcp://127.0.0.1", "no address"),
        ("tcp://127.0.0.1:port", "no address"),
    ],
)
def test_an_address_that_is_not_safe_is_refused(address, why):
    with pytest.raises(UsageError, match=why):
        Scheduler(address)


def test_this_machine_may_be_spoken_to_in_the_clear():
    for host in ("127.0.0.1", "localhost", "[::1]", "127.9.9.9"):
        assert Scheduler(f"tcp://{host}:8786").address
