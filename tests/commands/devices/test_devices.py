"""Each device of the fixtures through probe and the daemon, by its description alone."""

import re
import signal
import subprocess
import sys
import time

import pytest

from analysis.history.history import load_history
from logger.sources.description import read_description
from tests.conftest import ROOT
from tests.support.rigs.devices.far_ends import Device
from tests.support.rigs.live import link_lost, live, resident_kib, stored_since

pytestmark = pytest.mark.waits

CONFIG = """\
[charger]
rated_w = 110
[store]
path = "ebbwatt.db"
commit_s = 1
commit_rest_s = 1
[log]
interval_s = 0.2
[source]
kind = "serial"
port = "charger"
description = "device.toml"
"""


@pytest.mark.parametrize(
    "kind", ["text-lines", "binary-frame", "polled-text", "polled-words", "modbus-registers"]
)
def test_a_device_by_configuration_alone_through_three_dropouts(
    kind, tmp_path, child_env, start_daemon, ebbwatt
):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    text = (ROOT / f"fixtures/devices/{kind}.toml").read_text(encoding="utf-8")
    # A question that was under way when the cable came out owes an answer for so long.
    text = text.replace("every_s = 1.0", "every_s = 0.2\nlate_s = 1.0")
    fast = "\n[timing]\nfirst_wait_s = 0.1\nlongest_wait_s = 0.3\nstale_s = 3.0\n"
    (tmp_path / "device.toml").write_text(text + fast)
    device = Device(kind, tmp_path, child_env)
    try:
        probed = ebbwatt("probe", "--count", "5", cwd=tmp_path).stdout
        # What came while a busy machine started the command comes in one burst.
        assert int(re.search(r"(\d+) readings, ", probed)[1]) >= 5
        # A pseudo-terminal refuses parity the second time.
        device.pull_cable()
        device.put_back()
        probed_until_the_cable_is_out(device, tmp_path, child_env)
        only_reads(device.heard, tmp_path / "device.toml")
        device.heard = b""
        daemon = start_daemon(tmp_path, measured=False)  # its memory is looked at
        reading = live(tmp_path, 5).reading
        assert reading.voltage_v == pytest.approx(13.2)
        assert reading.current_a == pytest.approx(8.0)
        assert reading.runtime_h == pytest.approx(602.5)
        seen = 5
        for _ in range(3):
            device.pull_cable()
            gone = link_lost(tmp_path).readings
            device.put_back()
            back_s = time.time()
            seen = live(tmp_path, max(seen, gone) + 5).readings
            stored = stored_since(tmp_path, back_s + 0.5)
            assert stored == pytest.approx((13.2, 8.0, 602.5), rel=0.01)
        assert resident_kib(daemon) < 30 * 1024
        daemon.send_signal(signal.SIGTERM)
        daemon.communicate(timeout=200)
        assert daemon.returncode == 0
        assert load_history(tmp_path / "ebbwatt.db").readings.sum() >= seen
        only_reads(device.heard, tmp_path / "device.toml")
    finally:
        device.end()


def test_where_several_questions_are_asked_a_pulled_cable_is_a_gap(
    tmp_path, child_env, start_daemon
):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    text = (ROOT / "fixtures/devices/modbus-registers.toml").read_text(encoding="utf-8")
    # Questions whose answers look alike, so that a late one has to be waited for.
    text = text.replace("unit = 1\n", "unit = 1\nmost_registers = 2\n").replace(
        'parity = "even"', ""
    )
    (tmp_path / "device.toml").write_text(text.replace("every_s = 1.0", "every_s = 0.2"))
    device = Device("modbus-registers", tmp_path, child_env)
    try:
        daemon = start_daemon(tmp_path)
        seen = live(tmp_path, 20).readings
        device.pull_cable()
        time.sleep(7.0)
        device.put_back()
        live(tmp_path, seen + 20)
        daemon.send_signal(signal.SIGTERM)
        daemon.communicate(timeout=200)
    finally:
        device.end()
    history = load_history(tmp_path / "ebbwatt.db")
    silent_s = history.start_s[1:] - history.end_s[:-1]
    assert silent_s.max() > 5.0, "no energy is made up for the time without a device"


def probed_until_the_cable_is_out(device, folder, env):
    command = [sys.executable, "-m", "analysis", "probe"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    probe = subprocess.Popen(command, cwd=folder, env=env, text=True, **pipes)
    probe.stdout.readline()
    device.pull_cable()
    shown, told = probe.communicate(timeout=200)
    device.put_back()
    assert probe.returncode == 1
    assert "the port is gone" in told
    assert " readings, " in shown


def only_reads(heard, path):
    """Prove on the wire that the configured questions left, whole, and nothing else."""
    description = read_description(path)
    questions = [r.payload for r in description.poll.requests] if description.poll else []
    assert all(question in heard for question in questions)
    either = b"|".join(re.escape(question) for question in questions)
    assert re.fullmatch(b"(?:" + either + b")*", heard), "something else was sent"
    if description.decoder_kind == "modbus":
        functions = {heard[k + 1] for k in range(0, len(heard), 8)}
        assert functions <= {3, 4}, "the length of a request that reads is 8 bytes"
