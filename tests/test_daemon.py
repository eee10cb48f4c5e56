"""The daemon as a process: it logs, shows a live snapshot, ends cleanly, survives being killed."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis.history import load_history
from logger.snapshot import boot_id, read_snapshot, snapshot_path
from logger.store.reader import Reader

CONFIG = """\
[charger]
label = "Dabchick, aft locker"
rated_w = 110
fitted = 2021-04-18

[store]
path = "ebbwatt.db"
commit_s = 1

[log]
interval_s = 0.1

[source]
kind = "simulated"
seed = 7
first_charge = 0.3
"""


@pytest.fixture
def place(tmp_path, monkeypatch, child_env):
    """Return a folder with a configuration, and a function that starts the daemon there."""
    runtime = tmp_path / "run"
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(runtime))
    child_env["RUNTIME_DIRECTORY"] = str(runtime)
    (tmp_path / "ebbwatt.toml").write_text(CONFIG, encoding="utf-8")
    started = []

    def start(*, measured=True):
        # Measuring coverage costs the process memory of its own.
        env = {k: v for k, v in child_env.items() if measured or not k.startswith("COV")}
        process = subprocess.Popen(
            [sys.executable, "-m", "analysis", "log"],
            cwd=tmp_path,
            env=env,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        return process

    yield tmp_path, start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


def wait_for(condition, timeout_s=20.0):
    """Wait until the condition gives something, and return it."""
    end_s = time.monotonic() + timeout_s
    while time.monotonic() < end_s:
        if result := condition():
            return result
        time.sleep(0.05)
    raise AssertionError("waited in vain")


def live_snapshot(folder, at_least=1):
    snapshot = read_snapshot(snapshot_path(folder / "ebbwatt.db"))
    return snapshot if snapshot and snapshot.readings >= at_least else None


def test_it_logs_shows_itself_and_ends_cleanly_on_a_signal(place):
    folder, start = place
    process = start()
    first = wait_for(lambda: live_snapshot(folder))
    assert first.boot_id == boot_id()
    assert first.reading_age_s < 2.0
    assert 10.0 < first.reading.voltage_v < 15.0
    assert first.link == "live"
    second = wait_for(lambda: live_snapshot(folder, first.readings + 5))
    assert second.boottime_s > first.boottime_s
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    assert read_snapshot(snapshot_path(folder / "ebbwatt.db")) is None, "none is left behind"
    history = load_history(folder / "ebbwatt.db")
    assert history.readings.sum() >= second.readings
    # The wall clock of this machine is right, so the log must lie in the present.
    assert abs(history.end_s[-1] - time.time()) < 60.0
    with Reader(folder / "ebbwatt.db") as reader:
        (session,) = reader.sessions(1)
    assert session.ended_ms is not None
    assert session.boot_id == boot_id()


def test_killed_and_started_again_it_loses_nothing_that_was_committed(place):
    folder, start = place
    committed = 0
    for number in (1, 2, 3):
        process = start()
        wait_for(
            lambda number=number: (
                (folder / "ebbwatt.db").exists()
                and (snap := live_snapshot(folder, 15))
                and snap.session == number
            )
        )
        before = load_history(folder / "ebbwatt.db").readings.sum()
        assert before >= committed, "an earlier commit is gone"
        process.send_signal(signal.SIGKILL)
        process.wait(20)
        committed = load_history(folder / "ebbwatt.db").readings.sum()
        assert committed >= before
    assert committed > 0
    with Reader(folder / "ebbwatt.db") as reader:
        assert [s.ended_ms for s in reader.sessions(1)] == [None] * 3, "cut short is told apart"


def test_it_loads_nothing_heavy_and_stays_small(place):
    folder, start = place
    process = start(measured=False)
    wait_for(lambda: live_snapshot(folder))
    status = Path(f"/proc/{process.pid}/status").read_text(encoding="ascii")
    resident_kib = int(next(x for x in status.splitlines() if x.startswith("VmRSS")).split()[1])
    maps = Path(f"/proc/{process.pid}/maps").read_text(encoding="utf-8")
    assert resident_kib < 30 * 1024
    for name in ("numpy", "pandas", "scipy"):
        assert f"/{name}/" not in maps, f"{name} is loaded in the daemon"
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0


def test_a_wrong_configuration_is_one_line_and_status_2(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    done = ebbwatt("log", cwd=tmp_path, status=2)
    assert "[source]" in done.stderr
    assert not (tmp_path / "ebbwatt.db").exists()


def test_a_snapshot_that_is_not_ours_is_no_snapshot(tmp_path):
    path = tmp_path / "live.json"
    assert read_snapshot(path) is None
    for content in ("", "[]", "null", '{"format": 99}', '{"format": 1}', "\0", "3"):
        path.write_text(content, encoding="utf-8")
        assert read_snapshot(path) is None, content


def test_a_snapshot_of_another_boot_has_no_age(place):
    folder, start = place
    process = start()
    snapshot = wait_for(lambda: live_snapshot(folder))
    process.kill()
    process.wait(20)
    left = read_snapshot(snapshot_path(folder / "ebbwatt.db"))
    assert left is not None, "a killed daemon leaves its file"
    assert left.age_s(left.boottime_s + 30.0, boot_id()) == pytest.approx(30.0)
    assert left.age_s(5.0, "another boot") is None
    assert snapshot.source == "invented boat, seed 7"
    assert json.loads(snapshot_path(folder / "ebbwatt.db").read_text())["format"] == 1
    assert snapshot_path(folder / "ebbwatt.db").parent.stat().st_mode & 0o077 == 0
