"""A fork of the prepared process does what a process that a person starts does."""

import os
import subprocess
import sys

import pytest

from tests.conftest import ROOT
from tests.support.bad_files import table
from tests.support.configurations import AFT_LOCKER
from tests.support.prepared import Prepared


@pytest.fixture
def env():
    kept = {key: value for key, value in os.environ.items() if not key.startswith("COV")}
    return kept | {"PYTHONPATH": str(ROOT), "COLUMNS": "70", "TZ": "Pacific/Auckland"}


@pytest.fixture
def prepared(env):
    process = Prepared(env | {"COLUMNS": "80", "TZ": "UTC"}, ROOT)
    yield process
    process.end()
    assert process._process.returncode == 0


def test_both_say_the_same_and_leave_the_same(tmp_path, prepared, env):
    made = []
    for name in ("started", "forked"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "ebbwatt.toml").write_text(AFT_LOCKER)
        (folder / "a.csv").write_text(table(900))
        said = []
        for arguments in (
            ["import", "a.csv"],
            ["event", "add", "note", "--text", "x", "--at", "2025-06-16T08:00Z"],
            ["event", "list"], ["report"], ["export", "b.csv"], ["check"], ["report", "--nonsense"],
            ["import", "nowhere.csv"],
        ):  # fmt: skip
            if name == "forked":
                done = prepared.run(arguments, cwd=folder, env=env, timeout=200, umask=0o077)
            else:
                done = subprocess.run(
                    [sys.executable, "-m", "analysis", *arguments], cwd=folder, env=env,
                    capture_output=True, text=True, check=False, umask=0o077,
                )  # fmt: skip
            words = (done.stdout + done.stderr).replace(name, "here")
            said.append((arguments, done.returncode, words))
        made.append((said, (folder / "b.csv").read_bytes(), (folder / "b.csv").stat().st_mode))
    for one, other in zip(*(said for said, *_ in made), strict=True):
        assert one == other
    assert made[0][1:] == made[1][1:]
    assert [status for _, status, _ in said] == [0, 0, 0, 0, 0, 0, 2, 2]
    assert "20:00:00" in said[2][2], "the zone of its own environment"


def test_a_command_that_takes_too_long_is_ended_and_the_next_one_runs(tmp_path, prepared, env):
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER + '[source]\nkind = "simulated"\n')
    with pytest.raises(subprocess.TimeoutExpired):
        prepared.run(["log"], cwd=tmp_path, env=env, timeout=1.0)
    done = prepared.run(["--version"], cwd=tmp_path, env=env, timeout=200)
    assert (done.returncode, done.stdout[:8]) == (0, "ebbwatt ")


def test_what_is_read_at_a_start_needs_a_start(prepared, env):
    assert prepared.serves(env | {"TZ": "UTC"})
    assert not prepared.serves(env | {"PYTHONPATH": "/elsewhere"})
    assert not prepared.serves(env | {"LC_ALL": "C"})
