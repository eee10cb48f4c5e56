"""The daemon as a process: it logs, shows a live snapshot, ends cleanly, survives being killed."""

import asyncio
import json
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from analysis.history.history import load_history
from logger.config import load_config
from logger.daemon import Daemon
from logger.errors import StoreUnwritableError
from logger.store.events import list_events
from logger.store.raw import ROW_READINGS
from logger.store.reader import Reader
from logger.system.snapshot import boot_id, read_snapshot, snapshot_path
from tests.conftest import unmeasured
from tests.support.configurations import SIMULATED
from tests.support.rigs.devices.pty_line import PtyLine
from tests.support.rigs.live import live, resident_kib, wait_for

pytestmark = pytest.mark.waits

#: A serial line on which nobody speaks.
SILENT = """\
[source]
kind = "serial"
port = "charger"

[source.decoder]
kind = "keyvalue"

[source.fields]
voltage_v = "U"
"""


@pytest.fixture
def place(tmp_path, start_daemon):
    """Return a folder with a configuration, and a function that starts the daemon there."""
    (tmp_path / "ebbwatt.toml").write_text(SIMULATED, encoding="utf-8")
    return tmp_path, partial(start_daemon, tmp_path, new=True)


def test_it_logs_shows_itself_and_ends_cleanly_on_a_signal(place):
    folder, start = place
    process = start()
    first = live(folder)
    assert first.boot_id == boot_id()
    assert 0.0 <= first.reading_age_s < 60.0
    assert 10.0 < first.reading.voltage_v < 15.0
    assert first.link == "live"
    second = live(folder, first.readings + 4)
    assert second.boottime_s > first.boottime_s
    process.send_signal(signal.SIGTERM)
    assert process.wait(200) == 0
    assert read_snapshot(snapshot_path(folder / "ebbwatt.db")) is None, "none is left behind"
    history = load_history(folder / "ebbwatt.db")
    assert history.readings.sum() >= second.readings
    # The wall clock of this machine is right, so the log must lie in the present.
    assert abs(history.end_s[-1] - time.time()) < 60.0
    with Reader(folder / "ebbwatt.db") as reader:
        (session,) = reader.sessions(1)
    assert session.ended_ms >= session.started_ms
    assert session.boot_id == boot_id()


def test_without_readings_the_snapshot_is_renewed_all_the_same(place):
    folder, start = place
    text = SIMULATED.partition("[source]")[0] + (
        '[source]\nkind = "serial"\nport = "nowhere"\n[source.decoder]\nkind = "keyvalue"\n'
        '[source.fields]\nvoltage_v = "U"\n[source.timing]\nfirst_wait_s = 3600\n'
        "longest_wait_s = 7200\n"
    )
    (folder / "ebbwatt.toml").write_text(text, encoding="utf-8")
    start()
    first = live(folder, more_than=-1)
    end_s = time.monotonic() + 200.0
    while live(folder, more_than=-1).boottime_s < first.boottime_s + 3.0:
        assert time.monotonic() < end_s, "it was written once and never again"
        time.sleep(0.2)


def test_killed_and_started_again_it_loses_nothing_that_was_committed(place):
    folder, start = place
    committed = 0
    for number in (1, 2, 3):
        process = start()
        live(folder, 14, session=number)
        before = load_history(folder / "ebbwatt.db").readings.sum()
        assert before >= committed, "an earlier commit is gone"
        process.send_signal(signal.SIGKILL)
        process.wait(200)
        committed = load_history(folder / "ebbwatt.db").readings.sum()
        assert committed >= before
    assert committed > 0
    with Reader(folder / "ebbwatt.db") as reader:
        assert [s.ended_ms for s in reader.sessions(1)] == [None] * 3, "cut short is told apart"


@pytest.mark.parametrize("raw_hours", [0, 48])
def test_it_loads_nothing_heavy_and_stays_small(place, raw_hours):
    folder, start = place
    text = SIMULATED.replace("commit_s = 1\n", f"commit_s = 1\nraw_hours = {raw_hours}\n")
    (folder / "ebbwatt.toml").write_text(text, encoding="utf-8")
    process = start(measured=False)
    live(folder)
    maps = Path(f"/proc/{process.pid}/maps").read_text(encoding="utf-8")
    assert resident_kib(process) < 30 * 1024
    for name in ("numpy", "pandas", "scipy"):
        assert f"/{name}/" not in maps, f"{name} is loaded in the daemon"
    process.send_signal(signal.SIGINT)
    assert process.wait(200) == 0


_NAMES_WHAT_IT_LOADED = """\
import sys
from analysis.cli import main
main(["log"])
print(*sorted({name.partition(".")[0] for name in sys.modules}))
"""
_RADIO = """\
[source]
kind = "ble"
address = "AA:BB:CC:DD:EE:01"
[source.decoder]
kind = "characteristics"
[source.fields]
voltage_v = "2B18"
[source.timing]
first_reading_s = 5
"""


@pytest.mark.parametrize("kind", ["line", "radio"])
def test_no_module_is_loaded_that_the_daemon_can_do_without(place, child_env, kind):
    folder, _ = place
    text = SIMULATED.partition("[source]")[0] + (_RADIO if kind == "radio" else SILENT)
    (folder / "ebbwatt.toml").write_text(text, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-c", _NAMES_WHAT_IT_LOADED],
        cwd=folder,
        # No bus is there, and no port: each is tried, and tried again.
        env=unmeasured(child_env) | {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={folder}/none"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while "trying again" not in process.stderr.readline():
        assert process.poll() is None
    process.send_signal(signal.SIGINT)
    loaded = set(process.communicate(timeout=200)[0].split())
    assert {"serial", "bleak"} & loaded == {"serial" if kind == "line" else "bleak"}
    heavy = {"numpy", "pandas", "scipy", "rich", "sqlite_utils", "pyarrow"}
    assert not loaded & (heavy | {"ssl", "_ssl"}), loaded & heavy
    assert "re2" not in loaded, "only a pattern needs it"
    # hashlib loads OpenSSL; the library for D-Bus needs it.
    assert kind == "radio" or "_hashlib" not in loaded


@pytest.mark.parametrize("decoder", ["words", "pattern"])
def test_it_stays_small_while_it_keeps_raw_readings(place, decoder):
    folder, start = place
    line = PtyLine(folder / "charger")
    text = SIMULATED.partition("[source]")[0].replace("[log]", "raw_hours = 10\n\n[log]") + SILENT
    text = text.replace("interval_s = 0.1", "interval_s = 0.01") + 'current_a = "I"\n'
    if decoder == "pattern":  # which loads RE2
        pattern = r"U=(?P<U>\S+) I=(?P<I>\S+)"
        text = text.replace('kind = "keyvalue"', f"kind = 'pattern'\npattern = '{pattern}'")
    (folder / "ebbwatt.toml").write_text(text, encoding="utf-8")
    process = start(measured=False)
    live(folder, more_than=-1)
    rng, sent = random.Random(4), 0
    while sent < 2 * ROW_READINGS + 100:
        # No more at once than the line's buffer (4 kB) takes.
        lines = [f"U={rng.gauss(13.2, 0.01):.3f} I={rng.gauss(8, 0.03):.3f}\n" for _ in range(50)]
        line.write("".join(lines).encode())
        sent += len(lines)
        time.sleep(0.05)
    live(folder, 2 * ROW_READINGS)
    path = folder / "ebbwatt.db"
    assert wait_for(lambda: packed_readings(path) >= 2 * ROW_READINGS), "packed, written twice"
    resident, peak = resident_kib(process), resident_kib(process, "VmHWM")
    assert peak < 30 * 1024, (resident, peak)
    print(f"serial, {decoder}, raw readings kept: {resident} KiB, at most {peak} KiB")


def packed_readings(path):
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT coalesce(sum(readings), 0) FROM raw").fetchone()[0]


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
    snapshot = live(folder)
    process.kill()
    process.wait(200)
    left = read_snapshot(snapshot_path(folder / "ebbwatt.db"))
    assert left is not None, "a killed daemon leaves its file"
    assert left.age_s(left.boottime_s + 30.0, boot_id()) == pytest.approx(30.0)
    assert left.age_s(5.0, "another boot") is None
    assert snapshot.source == "invented boat, seed 7"
    assert json.loads(snapshot_path(folder / "ebbwatt.db").read_text())["format"] == 1
    assert snapshot_path(folder / "ebbwatt.db").parent.stat().st_mode & 0o027 == 0


def test_a_board_that_learns_the_time_dates_its_boots_and_report_and_watch_say_so(place, ebbwatt):
    folder, start = place
    wall = folder / "wall"

    def boot(name, says, session):
        wall.write_text(says)
        daemon = start(module=("tests.support.rigs.daemon_on_board", name, wall))
        live(folder, 9, session=session)
        return daemon

    def end(daemon):
        daemon.send_signal(signal.SIGTERM)
        _, told = daemon.communicate(timeout=200)
        assert daemon.returncode == 0
        return told

    began_s = time.time()
    first = boot("one", f"{-began_s} 1970", 1)
    assert live(folder).written_s < 1e9
    wall.write_text("0.0 synchronised")
    end_s = time.monotonic() + 200.0
    while "corrected" not in " ".join(live(folder).notices) and time.monotonic() < end_s:
        time.sleep(0.05)
    assert abs(live(folder).written_s - time.time()) < 60.0
    told = end(first)
    assert "clock is not set" in told
    assert "years late; it is synchronised now: dates of this boot are corrected" in told
    assert len(told.splitlines()) <= 5
    end(boot("two", f"{-began_s} 1970 again", 2))
    end(boot("three", "0.0 synchronised", 3))
    history = load_history(folder / "ebbwatt.db")
    assert sorted(set(history.session.tolist())) == [1, 2, 3]
    assert (history.start_s[1:] >= history.end_s[:-1] - 1e-6).all()
    assert (history.session[1:] >= history.session[:-1]).all()
    assert (history.start_s >= began_s - 30.0).all()
    assert (history.end_s <= time.time() + 30.0).all()
    assert history.clock_known.tolist() == (history.session != 2).tolist()
    for command in (("report",), ("watch", "--once")):
        shown = " ".join(ebbwatt(*command, cwd=folder).stdout.split())
        assert "2 starts without a known time, 1 clock correction" in shown


def test_a_clean_end_without_a_single_reading_is_not_counted_as_cut_short(place):
    folder, start = place
    PtyLine(folder / "charger")
    text = SIMULATED.partition("[source]")[0] + SILENT
    (folder / "ebbwatt.toml").write_text(text, encoding="utf-8")
    for number in (1, 2):
        daemon = start()
        live(folder, -1, session=number)
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(200) == 0
    assert [event.kind for event in list_events(folder / "ebbwatt.db")] == []


def test_a_recording_that_cannot_be_stored_ends_the_daemon_with_the_error(tmp_path, monkeypatch):
    # A recording can be read again: going on would lose it in silence.
    rows = [f"{1700000000 + k},13.1,8.0,running" for k in range(600)]
    (tmp_path / "log.csv").write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")
    (tmp_path / "ebbwatt.toml").write_text(
        "[charger]\nrated_w = 110\n[store]\ncommit_s = 1\ncommit_rest_s = 1\n"
        '[source]\nkind = "replay"\npath = "log.csv"\nspeed = 60\n'
    )
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))

    told = []

    async def log():
        daemon = Daemon(load_config(tmp_path / "ebbwatt.toml"))
        daemon.writer._connection.execute("PRAGMA query_only = 1")  # as if write-protected
        try:
            await daemon.run()
        finally:
            told.append(daemon.recorder.readings)

    with pytest.raises(StoreUnwritableError, match="write-protected"):
        asyncio.run(log())
    assert told[0] < 500, "at the first commit, not at the end of the recording"
