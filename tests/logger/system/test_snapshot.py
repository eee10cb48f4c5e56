"""The live snapshot is written where nobody else can lead it astray, and nowhere else."""

import json
import os
import signal
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.history.history import load_history
from logger.errors import EbbwattError
from logger.reading import Reading
from logger.system.snapshot import (
    ForeignFolderError,
    Snapshot,
    SnapshotFile,
    own_folder,
    read_snapshot,
    snapshot_path,
)
from tests.support.rigs.live import QUICK, wait_for

NAMES = ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR", "XDG_STATE_HOME")


@pytest.fixture
def bare(monkeypatch, tmp_path):
    """Take away every variable that names a folder, and give a home."""
    for name in NAMES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    return monkeypatch


def test_without_a_runtime_folder_it_is_among_the_state_of_the_user(bare, tmp_path):
    store = Path("/somewhere/ebbwatt.db")
    assert snapshot_path(store).parent == tmp_path / "home/.local/state/ebbwatt"
    bare.setenv("XDG_STATE_HOME", "relative")  # the specification: to be ignored
    assert snapshot_path(store).parent == tmp_path / "home/.local/state/ebbwatt"
    bare.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    assert snapshot_path(store).parent == tmp_path / "state/ebbwatt"
    bare.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    assert snapshot_path(store).parent == tmp_path / "run/ebbwatt"


@pytest.mark.parametrize("mask", [0o000, 0o077])
def test_a_folder_is_made_for_its_owner_and_group_whatever_the_umask(tmp_path, mask):
    before = os.umask(mask)
    try:
        own_folder(tmp_path / "a" / "b")
    finally:
        os.umask(before)
    for folder in (tmp_path / "a", tmp_path / "a" / "b"):
        assert folder.stat().st_mode & 0o777 == 0o750


def test_a_snapshot_of_a_daemon_that_tells_more_or_less_is_read(tmp_path):
    told = Snapshot(5.0, 6.0, "b", 1, "replay", "live", "", Reading(4.0, 13.2), 1.0, gap_s=5.0)
    SnapshotFile(tmp_path / "live.json").write(told)
    assert read_snapshot(tmp_path / "live.json") == told
    data = json.loads((tmp_path / "live.json").read_text())
    data["open_charge_c"] = 12.0
    del data["gap_s"]
    (tmp_path / "live.json").write_text(json.dumps(data))
    assert read_snapshot(tmp_path / "live.json") == replace(told, gap_s=None)


def test_a_folder_that_is_not_our_own_alone_is_refused(tmp_path):
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o777)
    with pytest.raises(ForeignFolderError, match="others may write"):
        own_folder(shared)
    (tmp_path / "link").symlink_to(tmp_path)
    with pytest.raises(ForeignFolderError, match="is a link"):
        own_folder(tmp_path / "link")
    if os.geteuid() == 0:
        shared.chmod(0o755)
        os.chown(shared, 65534, 65534)
        with pytest.raises(ForeignFolderError, match="another user"):
            own_folder(shared)


def test_a_trap_in_a_shared_folder_costs_the_picture_and_nothing_else(tmp_path, start_daemon):
    (tmp_path / "ebbwatt.toml").write_text(QUICK.format(charger=""))
    victim = tmp_path / "victim"
    victim.write_text("precious")
    trap = tmp_path / "trap"
    trap.mkdir()
    name = snapshot_path(tmp_path / "ebbwatt.db").name
    for end in ("", ".new", ".watched"):
        (trap / f"{name}{end}").symlink_to(victim)
    trap.chmod(0o777)
    daemon = start_daemon(tmp_path, RUNTIME_DIRECTORY=str(trap))

    def logged():
        with suppress(EbbwattError):
            return load_history(tmp_path / "ebbwatt.db").readings.sum() > 20

    try:
        wait_for(logged)
    finally:
        daemon.send_signal(signal.SIGTERM)
    said = daemon.communicate(timeout=200)[1]
    assert daemon.returncode == 0, said
    assert said.count("others may write to its folder") == 1
    assert victim.read_text() == "precious"
    assert len(list(trap.iterdir())) == 3, "nothing was put there or taken away"
