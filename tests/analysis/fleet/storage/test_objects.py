"""Boats in object storage are fetched as private copies, judged, assessed; it is only read."""

import itertools
import json
import os
import signal
import subprocess
import sys
import time

import fsspec
import pytest

from analysis import cli
from analysis.fleet.folder import Fleet
from analysis.fleet.intake import Outcome, take
from analysis.fleet.storage.objects import (
    GONE,
    RECORD,
    Storage,
    gone_boats,
    is_address,
    set_aside,
    take_objects,
)
from logger.errors import EbbwattError, UsageError
from logger.store.files import prepare
from tests.support.boats.fleet_boats import write_boat

MOST = 10_000_000
_NUMBER = itertools.count()


@pytest.fixture(scope="module")
def incoming(tmp_path_factory):
    """Three boats with their configurations, a file cut short, and one that is none of ours."""
    folder = tmp_path_factory.mktemp("incoming")
    empty = folder / "empty"
    prepare(empty)
    for k, loss in enumerate((0.1, 0.8, 0.05)):
        write_boat(
            folder / f"boat{k}.db", empty.read_bytes(), label=f"boat {k}", runs=40, loss=loss,
            seed=k, apart_d=2.5,
        )  # fmt: skip
    whole = (folder / "boat0.db").read_bytes()
    (folder / "wet.db").write_bytes(whole[: len(whole) // 2])
    (folder / "notes.txt").write_text("no boat")
    empty.unlink()
    return folder


@pytest.fixture(params=["memory", "file"])
def address(request, incoming, tmp_path):
    """The same objects in either storage, at different depths."""
    where = f"memory://boats{next(_NUMBER)}"
    if request.param == "file":
        where = f"file://{tmp_path / 'bucket'}"
    system, root = fsspec.core.url_to_fs(where)
    for file in sorted(incoming.iterdir()):
        deep = "/north/deep" if file.name.startswith("boat1") else ""
        system.makedirs(f"{root}{deep}", exist_ok=True)
        with system.open(f"{root}{deep}/{file.name}", "wb") as copy:
            copy.write(file.read_bytes())
    return where


def everything(address):
    system, root = fsspec.core.url_to_fs(address)
    return {name: system.cat_file(name) for name in system.find(root)}


def listed(path):
    document = json.loads(path.read_text())
    return [(boat["key"], boat["standing"], boat["reason"]) for boat in document["boats"]]


def test_the_report_is_that_of_the_same_files_taken_by_hand(
    address, incoming, tmp_path, capsys, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    fleet = Fleet(tmp_path / "by-hand", make=True)
    assert len(list(take(fleet, sorted(incoming.glob("boat*.db"))))) == 3
    assert cli.main(["fleet", "report", str(fleet.path), "--workers", "0", "--json", "a.json"]) == 0
    before = everything(address)
    capsys.readouterr()
    assert cli.main(["fleet", "report", address, "--workers", "0", "--json", "b.json"]) == 0
    assert "wet.db: refused:" in capsys.readouterr().err
    assert len(listed(tmp_path / "a.json")) == 3
    assert listed(tmp_path / "b.json") == listed(tmp_path / "a.json")
    assert everything(address) == before, "it is only read"
    assert {p.name for p in tmp_path.iterdir()} <= {"by-hand", "a.json", "b.json", "bucket"}


def test_only_what_changed_is_fetched_again_and_a_refusal_is_told_again(
    address, tmp_path, monkeypatch
):
    fetched, fetch = [], Storage.fetch

    def counting(storage, name, target, most_bytes):
        fetched.append(storage.short(name))
        fetch(storage, name, target, most_bytes)

    monkeypatch.setattr(Storage, "fetch", counting)
    fleet = Fleet(tmp_path / "copies", make=True)

    def outcomes():
        fetched.clear()
        taken = take_objects(Storage(address), fleet, None, MOST)
        return {str(one.path): (one.outcome, one.words) for one in taken}

    first = outcomes()
    assert [outcome for outcome, _ in first.values()] == [
        *(Outcome.TAKEN, Outcome.TAKEN, Outcome.TAKEN, Outcome.REFUSED)
    ]
    assert set(first) == {"boat0.db", "boat2.db", "north/deep/boat1.db", "wet.db"}
    assert sorted(fetched) == sorted([*first, "boat0.toml", "boat2.toml", "north/deep/boat1.toml"])
    second = outcomes()
    assert fetched == []
    assert second["wet.db"] == first["wet.db"]
    assert second["boat0.db"][0] is Outcome.KNOWN
    # Its configuration changed: that boat alone is fetched.
    system, root = fsspec.core.url_to_fs(address)
    text = system.cat_file(f"{root}/boat2.toml")
    assert b"110.0" in text
    system.pipe_file(f"{root}/boat2.toml", text.replace(b"110.0", b"150.0"))
    assert outcomes()["boat2.db"][0] is Outcome.TAKEN
    assert fetched == ["boat2.db", "boat2.toml"]
    (fleet.path / RECORD).write_text("{")
    outcomes()
    assert len(fetched) == 7, "a record that is damaged costs time, no boat"


def test_the_record_of_a_hundred_thousand_objects_is_read_again(address, tmp_path, monkeypatch):
    fleet = Fleet(tmp_path / "copies", make=True)
    list(take_objects(Storage(address), fleet, None, MOST))
    record = json.loads((fleet.path / RECORD).read_text())
    first = record["objects"]["boat0.db"]
    more = {f"logs/{k:06}/boat.db": first for k in range(100_000)}
    record["objects"] = more | record["objects"]
    (fleet.path / RECORD).write_text(json.dumps(record))
    assert (fleet.path / RECORD).stat().st_size > 5_000_000
    monkeypatch.setattr(Storage, "fetch", lambda *_: pytest.fail("is fetched again"))
    assert len(list(take_objects(Storage(address), fleet, None, MOST))) == 4


def _remove(address, name):
    system, root = fsspec.core.url_to_fs(address)
    system.rm_file(f"{root}/{name}")


def test_a_boat_that_left_the_storage_is_named_and_set_aside_when_asked(
    address, incoming, tmp_path, capsys
):
    copies = tmp_path / "copies"
    told = ["fleet", "report", address, "--copies", str(copies), "--workers", "0"]
    fleet = Fleet(copies, make=True)
    # One of them is taken in by hand besides: nobody asks the storage about that one.
    by_hand = write_boat(tmp_path / "hand.db", (incoming / "boat0.db").read_bytes(), runs=10)
    assert all(t.outcome == "taken" for t in take(fleet, [by_hand]))
    assert cli.main(told) == 0
    assert "no longer in the storage" not in capsys.readouterr().err
    _remove(address, "boat2.db")
    for _ in range(2):  # not only the first time
        assert cli.main(told) == 0
        shown = capsys.readouterr()
        assert "boat2.db: no longer in the storage; its boat stays in the list" in shown.err
        assert "4 boats:" in shown.out
    (gone,) = gone_boats(fleet)
    log = (gone / "log.db").read_bytes()
    assert cli.main([*told, "--set-aside"]) == 0
    shown = capsys.readouterr()
    assert f"no longer in the storage, moved to {copies / GONE / gone.name}" in shown.err
    assert "3 boats:" in shown.out
    assert (copies / GONE / gone.name / "log.db").read_bytes() == log
    # It comes back, leaves once more, and takes the place of what was set aside.
    system, root = fsspec.core.url_to_fs(address)
    system.pipe_file(f"{root}/boat2.db", (incoming / "boat2.db").read_bytes())
    assert cli.main(told) == 0
    shown = capsys.readouterr()
    assert ("4 boats:" in shown.out, "no longer" in shown.err) == (True, False)
    _remove(address, "boat2.db")
    list(take_objects(Storage(address), fleet, None, MOST))
    assert set_aside(fleet) == [copies / GONE / gone.name]
    assert set_aside(fleet) == []


def test_a_damaged_object_is_still_that_of_its_boat(address, tmp_path):
    fleet = Fleet(tmp_path / "copies", make=True)
    list(take_objects(Storage(address), fleet, None, MOST))
    system, root = fsspec.core.url_to_fs(address)
    system.pipe_file(f"{root}/boat0.db", b"cut")
    list(take_objects(Storage(address), fleet, None, MOST))
    assert gone_boats(fleet) == {}
    # Another boat under its name: then it is no longer there.
    before = {boat.name for boat in fleet.boats()}
    for end in ("db", "toml"):
        system.pipe_file(f"{root}/boat0.{end}", system.cat_file(f"{root}/boat2.{end}"))
    list(take_objects(Storage(address), fleet, None, MOST))
    assert list(gone_boats(fleet).values()) == ["boat0.db"]
    assert {boat.name for boat in fleet.boats()} == before


@pytest.mark.slow
@pytest.mark.parametrize("stays", [True, False])
def test_what_a_killed_command_left_is_removed_by_the_next(incoming, tmp_path, child_env, stays):
    bucket, copies, passing = (tmp_path / name for name in ("bucket", "copies", "passing"))
    bucket.mkdir()
    passing.mkdir()
    for end in ("db", "toml"):
        (bucket / f"boat.{end}").write_bytes((incoming / f"boat0.{end}").read_bytes())
    told = [sys.executable, "-c", _SLOW, f"file://{bucket}"]
    told += ["--copies", str(copies)] if stays else []
    env = child_env | {"TMPDIR": str(passing)}
    run = subprocess.Popen(told, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    left = copies.glob if stays else passing.glob
    pattern = ".fetching-*/handed.db" if stays else "ebbwatt-fleet-*/fleet/.fetching-*/handed.db"
    deadline = time.monotonic() + 200
    while not list(left(pattern)):
        assert time.monotonic() < deadline
        assert run.poll() is None, run.stderr.read()
        time.sleep(0.02)
    # While it is at work, nobody removes what it fetches.
    if stays:
        with pytest.raises(EbbwattError, match="another 'ebbwatt fleet' is at work there"):
            list(take_objects(Storage(f"file://{bucket}"), Fleet(copies), None, MOST))
    run.send_signal(signal.SIGKILL)
    run.communicate()
    assert list(left(pattern))
    again = [sys.executable, "-m", "analysis", "fleet", "report", *told[3:]]
    done = subprocess.run(
        [*again, "--workers", "0"], env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "1 boat:" in done.stdout
    assert not list(left(pattern.split("/", maxsplit=1)[0]))


#: Runs the report with a storage that stops answering in the middle of an object.
_SLOW = """
import sys, time
from analysis import cli
from analysis.fleet.storage.objects import Storage

def stops(storage, name, target, most_bytes):
    target.write_bytes(b"half")
    time.sleep(100)

Storage.fetch = stops
sys.exit(cli.main(["fleet", "report", *sys.argv[1:], "--workers", "0"]))
"""


def test_what_is_too_large_or_waits_beside_a_log_is_refused(address, tmp_path):
    system, root = fsspec.core.url_to_fs(address)
    system.pipe_file(f"{root}/boat0.db-wal", b"not in the file yet")
    system.pipe_file(f"{root}/large.json", b" " * 5000)
    fleet = Fleet(tmp_path / "copies", make=True)
    size = system.size(f"{root}/boat2.db")
    found = {str(t.path): t for t in take_objects(Storage(address), fleet, None, size)}
    assert "write-ahead log" in found["boat0.db"].words
    assert found["boat2.db"].outcome is Outcome.TAKEN, "just within the limit"
    smaller = Fleet(tmp_path / "smaller", make=True)
    found = {str(t.path): t for t in take_objects(Storage(address), smaller, None, 4999)}
    assert "larger than the limit" in found["large.json"].words
    assert not list(fleet.path.glob(".fetching-*"))


def test_a_database_named_after_the_default_is_taken(address, incoming, tmp_path):
    system, root = fsspec.core.url_to_fs(address)
    system.makedirs(f"{root}/own", exist_ok=True)
    for end in ("db", "toml"):
        system.pipe_file(f"{root}/own/boat.{end}", (incoming / f"boat2.{end}").read_bytes())
        system.rm_file(f"{root}/boat2.{end}")
    fleet = Fleet(tmp_path / "copies", make=True)
    found = {str(t.path): t.outcome for t in take_objects(Storage(address), fleet, None, MOST)}
    assert found["own/boat.db"] is Outcome.TAKEN


def test_what_was_refused_for_its_size_is_taken_once_the_limit_is_raised(address, tmp_path):
    fleet = Fleet(tmp_path / "copies", make=True)

    def outcomes(most):
        return {str(t.path): t for t in take_objects(Storage(address), fleet, None, most)}

    assert "larger than the limit" in outcomes(4999)["boat0.db"].words
    assert outcomes(MOST)["boat0.db"].outcome is Outcome.TAKEN


def test_links_and_names_that_lead_elsewhere_reach_nothing(incoming, tmp_path):
    bucket = tmp_path / "bucket"
    bucket.mkdir()
    (bucket / "link.db").symlink_to(incoming / "boat0.db")
    os.mkfifo(bucket / "pipe.db")
    with pytest.raises(UsageError, match="there is no object there"):
        Storage(f"file://{bucket}")
    where = f"memory://boats{next(_NUMBER)}"
    system, root = fsspec.core.url_to_fs(where)
    system.store[f"{root}/../../../{tmp_path}/outside.db"] = (
        fsspec.implementations.memory.MemoryFile(
            system, f"{root}/../../../{tmp_path}/outside.db", (incoming / "boat0.db").read_bytes()
        )
    )
    fleet = Fleet(tmp_path / "copies", make=True)
    list(take_objects(Storage(where), fleet, None, MOST))
    assert {p.name for p in tmp_path.iterdir()} == {"bucket", "copies"}


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("memory://nothing-here", "there is no object there"),
        ("file:///nonexistent/boats", "there is no object there"),
        ("gopher://boats", "is no storage that can be read"),
    ],
)
def test_an_address_that_leads_nowhere_is_one_clear_line(address, words):
    with pytest.raises(UsageError, match=words):
        Storage(address)


def test_without_the_extra_it_is_named_and_a_folder_needs_none(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "fsspec", None)
    monkeypatch.setitem(sys.modules, "fsspec.core", None)
    with pytest.raises(EbbwattError, match=r"pip install 'ebbwatt\[fleet\]'"):
        Storage("memory://boats")
    Fleet(tmp_path / "fleet", make=True)
    assert cli.main(["fleet", "report", str(tmp_path / "fleet"), "--workers", "0"]) == 0


def test_a_storage_that_fails_in_its_own_way_is_one_clear_line(address, monkeypatch, tmp_path):
    class OfItsOwnError(Exception):
        pass

    def fails(*_args, **_more):
        raise OfItsOwnError("no credentials\nand more")

    storage = Storage(address)
    monkeypatch.setattr(type(storage._system), "open", fails)
    fleet = Fleet(tmp_path / "copies", make=True)
    taken = list(take_objects(storage, fleet, None, MOST))
    assert {t.outcome for t in taken} == {Outcome.REFUSED}
    assert all("no credentials" in t.words and "\n" not in t.words for t in taken)
    monkeypatch.undo()
    # What failed is no property of the object: it is fetched the next time.
    assert Outcome.TAKEN in {t.outcome for t in take_objects(Storage(address), fleet, None, MOST)}
    monkeypatch.setattr(type(storage._system), "find", fails)
    with pytest.raises(EbbwattError, match="cannot be listed: OfItsOwnError: no credentials"):
        Storage(address)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["memory://boats", "--html", "page.html"], "needs --copies DIR"),
        (["memory://boats", "--scheduler", "tcp://127.0.0.1:1"], "needs --copies DIR"),
        (["memory://boats", "--set-aside"], "needs --copies DIR"),
        (["here", "--copies", "there"], "a folder needs no copies"),
        (["here", "--set-aside"], "--set-aside is for boats in object storage"),
    ],
)
def test_options_that_do_not_go_together_are_refused(arguments, words, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    assert cli.main(["fleet", "report", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_addresses_are_told_from_folders():
    assert all(map(is_address, ("s3://a/b", "file:///a", "simplecache::s3://a", "memory://")))
    assert not any(map(is_address, ("fleet", "./a", "/a//b", "a:b", "s3:/a", "C:\\boats")))
