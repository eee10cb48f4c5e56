"""`ebbwatt log` on a serial line: a pseudo-terminal that another process feeds."""

import os
import signal
import threading
import time

import pytest

from analysis.history.history import STATE_CODE, load_history
from logger.reading import OperatingState
from logger.system.snapshot import read_snapshot, snapshot_path
from tests.support.configurations import SERIAL
from tests.support.rigs.devices.pty_line import PtyLine, SpokenLine
from tests.support.rigs.live import link_lost, live, wait_for

pytestmark = pytest.mark.waits

# The device: a process of its own that writes a line every 50 ms to the descriptor it inherits,
# with garbage between lines: noise bytes, half a line, a boot banner, a decimal comma, a number
# that is none, a voltage that cannot be true.
DEVICE = """\
import itertools, os, sys, time
fd = int(sys.argv[1])
rubbish = [b"\\x00\\xff\\xfe\\x80\\n", b"U=13.1 I=\\n", b"*** charger v2 ready ***\\r\\n",
           b"U=13,5 I=8,0 MODE=RUN RT=600\\n", b"U=nan I=8.0 MODE=RUN RT=600\\n",
           b"U=1350 I=8.0 MODE=RUN RT=600\\n"]
for n in itertools.count():
    os.write(fd, b"U=13.20 I=8.00 MODE=RUN RT=%d\\n" % (600 + n // 1200))
    if n % 5 == 4:
        os.write(fd, rubbish[n // 5 % len(rubbish)])
    time.sleep(0.05)
"""


@pytest.fixture
def boat(tmp_path, start_daemon):
    device = SpokenLine(tmp_path / "charger", DEVICE)

    def start(timing=""):
        (tmp_path / "ebbwatt.toml").write_text(SERIAL.format(timing=timing))
        return start_daemon(tmp_path)

    yield tmp_path, device, start
    device.unplug()


def test_it_logs_and_counts_what_it_refused(boat):
    folder, _, start = boat
    daemon = start()
    # One line in 31 has an impossible voltage, and the current beside it counts: not that one.
    snapshot = wait_for(lambda: (s := live(folder, 59, session=1)).reading.voltage_v and s)
    assert snapshot.reading.voltage_v == 13.2
    assert snapshot.reading.runtime_h == pytest.approx(10.0, abs=0.1)
    assert snapshot.link == "live"
    daemon.send_signal(signal.SIGTERM)
    _, told = daemon.communicate(timeout=200)
    assert daemon.returncode == 0
    history = load_history(folder / "ebbwatt.db")
    running_s = history.duration_s[history.state == STATE_CODE[OperatingState.RUNNING]].sum()
    assert history.charge_c.sum() == pytest.approx(8.0 * running_s, rel=1e-3)
    assert history.voltage_max_v.max() == 13.2, "the impossible voltage must not get in"
    kinds = {"voltage_v above 64 V", "voltage_v: not a number", "no key and value"}
    assert kinds | {"incomplete message"} <= snapshot.refused.keys()
    assert "refused" in told
    assert len(told.splitlines()) <= 6, "the journal is not flooded"


def test_cable_out_and_in_three_times_and_it_logs_on(boat):
    folder, device, start = boat
    daemon = start()
    seen = live(folder, 19, session=1).readings
    for _ in range(3):
        device.unplug()
        link_lost(folder)
        device.plug()
        seen = live(folder, seen + 19, session=1).readings
    daemon.send_signal(signal.SIGTERM)
    _, told = daemon.communicate(timeout=200)
    assert daemon.returncode == 0
    assert told.count("trying again") <= 3, "warned once for each trouble at most"
    history = load_history(folder / "ebbwatt.db")
    assert history.readings.sum() >= seen
    assert len(set(history.session.tolist())) == 1, "one session: nobody had to start it again"


def test_every_change_of_the_link_is_told_to_who_asks_for_it(boat, start_daemon):
    folder, device, _ = boat
    (folder / "ebbwatt.toml").write_text(SERIAL.format(timing=""))
    daemon = start_daemon(folder, module=("analysis", "log", "--verbose"))
    seen = live(folder, 9).readings
    device.unplug()
    wait_for(lambda: read_snapshot(snapshot_path(folder / "ebbwatt.db")).link == "waiting")
    device.plug()
    live(folder, seen + 19)
    daemon.send_signal(signal.SIGTERM)
    _, told = daemon.communicate(timeout=200)
    changes = [x.removeprefix("link: ") for x in told.splitlines() if x.startswith("link: ")]
    assert changes[:2] == ["opening", "live"]
    assert changes[2].startswith("waiting, charger: the port is gone")
    assert changes[-2:] == ["opening", "live"]
    assert "selector" not in told, "of the program alone"


def test_a_device_that_falls_silent_is_noticed_by_the_age_of_its_data(boat):
    folder, device, start = boat
    start("stale_s = 1.0\nfirst_reading_s = 2.0")
    live(folder, 19, session=1)
    device.process.send_signal(signal.SIGSTOP)
    end_s = time.monotonic() + 200.0
    while time.monotonic() < end_s:
        snapshot = read_snapshot(snapshot_path(folder / "ebbwatt.db"))
        if "no reading" in snapshot.link_reason or any("no reading" in n for n in snapshot.notices):
            break
        time.sleep(0.05)
    else:
        raise AssertionError("the silence was never noticed")
    seen = snapshot.readings
    device.process.send_signal(signal.SIGCONT)
    live(folder, seen + 19, session=1)


def test_a_device_that_reboots_with_its_counter_and_clock_set_back_is_logged_on(boat):
    folder, device, start = boat
    device.process.kill()
    device.process.wait()
    start('[source.fields.utc_s]\nfrom = "C"\nunit = "iso8601"\noptional = true\n')
    end = threading.Event()
    said = [b"U=13.20 I=8.00 MODE=RUN RT=36000 C=2026-05-03T14:05:30Z\n"]

    def talk():
        while not end.wait(0.05):
            device.write(said[0])

    talking = threading.Thread(target=talk)
    talking.start()
    try:
        before = live(folder, 9)
        assert before.reading.runtime_h == 600.0
        assert before.reading.utc_s == 1777817130.0
        device.write(b"U=13.2\x00\xff\r\n\r\n*** charger v2 ***\r\nself test: ok\r\nready> ")
        said[0] = b"U=13.20 I=0.00 MODE=WAIT RT=0 C=1970-01-01T00:00:07Z\n"
        after = live(folder, live(folder).readings + 9)
    finally:
        end.set()
        talking.join()
    assert after.reading.runtime_h == 0.0
    assert after.reading.utc_s is None, "a clock that was never set tells no time"
    assert (after.link, after.notices) == ("live", ()), "no trouble of the link"
    assert after.refused["no key and value"] == 2, "the banner is counted"


def test_killed_and_started_again_it_loses_no_committed_interval(boat):
    folder, _, start = boat
    committed = []
    for session in (1, 2, 3):
        daemon = start()
        live(folder, 49, session=session)
        daemon.send_signal(signal.SIGKILL)
        daemon.wait(200)
        history = load_history(folder / "ebbwatt.db")
        rows = list(zip(history.start_s.tolist(), history.charge_c.tolist(), strict=True))
        assert rows[: len(committed)] == committed, "what was committed stays as it was"
        assert len(rows) > len(committed)
        committed = rows


def test_a_state_word_of_the_devices_own_and_a_fault_stand_in_every_headline(
    tmp_path, start_daemon, ebbwatt
):
    said = [b"U=12.60 I=0.00 MODE=PURGE-3 RT=600\n"]
    line = PtyLine(tmp_path / "charger")
    (tmp_path / "ebbwatt.toml").write_text(
        SERIAL.format(timing="").replace('WAIT = "standby"', 'WAIT = "standby"\nE07 = "fault"')
    )
    stop = threading.Event()

    def speak():
        while not stop.wait(0.1):
            os.write(line.master, said[0])

    thread = threading.Thread(target=speak, daemon=True)
    thread.start()
    daemon = start_daemon(tmp_path)
    try:
        live(tmp_path, 5, session=1)
        shown = ebbwatt("watch", "--once", cwd=tmp_path).stdout
        assert 'UNKNOWN STATE "PURGE-3" since ' in shown
        assert "now 0 W" in shown
        assert "'ebbwatt probe' shows how" in " ".join(shown.split())
        assert "Resting" not in shown
        said[0] = b"U=12.60 I=0.00 MODE=E07 RT=600\n"
        wait_for(lambda: live(tmp_path, 5, session=1).reading.word == "E07")
        shown = " ".join(ebbwatt("watch", "--once", cwd=tmp_path).stdout.split())
        assert 'FAULT "E07" since ' in shown
        assert "look it up in the unit's own manual" in shown
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.communicate(timeout=200)
        stop.set()
        thread.join()
        line.unplug()
    words = {e.text for e in load_history(tmp_path / "ebbwatt.db").events if e.kind == "state_word"}
    assert words == {"PURGE-3", "E07"}
