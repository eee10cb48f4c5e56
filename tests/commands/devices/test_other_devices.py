"""The devices of fixtures/devices that are on no serial line or radio, through the daemon."""

import os
import signal
import subprocess
import sys
import time

import pytest

from analysis.history.history import load_history
from tests.conftest import ROOT, unmeasured
from tests.support.rigs.devices.can_bus import Bus
from tests.support.rigs.devices.modbus_tcp import Server, Wire, sunspec
from tests.support.rigs.devices.sensor_tree import SensorTree
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
description = "device.toml"
"""


class Shunt:
    """The shunt monitor: its voltage, V, its current, A, and none of its hours."""

    source = 'kind = "hwmon"\nroot = "hwmon"\n'
    gives = (13.2, 8.0, None)
    most_mib = 30

    def __init__(self, folder, _env):
        self.tree = SensorTree(folder / "hwmon", number=2)
        self.come_back()
        self.number = 2

    def come_back(self):
        self.tree.put(in1=13200, curr1=8000, temp1=31500)

    def vanish(self):
        self.tree.remove()

    def appear(self):
        self.number += 1
        self.tree.add(self.number)
        self.come_back()

    def end(self):
        pass


class Registers:
    """A SunSpec device behind a wire; what is asked of it is heard."""

    gives = (13.2, 8.0, None)
    most_mib = 31

    def __init__(self, folder, env):
        self.server = Server(sunspec(), env)
        self.wire = Wire(self.server.port)
        where = f'host = "127.0.0.1"\nport = {self.wire.port}\n'
        self.source = f'kind = "modbus_tcp"\nallow_network = true\n{where}'

    def vanish(self):
        self.wire.cut()

    def appear(self):
        self.wire.mend()

    def end(self):
        self.wire.end()
        self.server.end()
        assert {(len(question), question[7]) for question in self.wire.asked} == {(12, 3)}


class OnBus(Bus):
    """The charger on a CAN bus that stands in for one of the kernel."""

    source = 'kind = "can"\ninterface = "can0"\n'
    gives = (13.2, 8.0, 602.5)
    most_mib = 30
    module = "tests.support.rigs.devices.can_bus"

    def __init__(self, folder, _env):
        for name in ("can-frames.dbc", "can-frames.dbc.json"):
            (folder / name).write_bytes((ROOT / "fixtures/devices" / name).read_bytes())
        super().__init__(folder)


DEVICES = {"hwmon-shunt": Shunt, "sunspec": Registers, "can-frames": OnBus}


@pytest.mark.parametrize("kind", DEVICES)
def test_a_device_by_configuration_alone_through_three_dropouts(
    kind, tmp_path, child_env, start_daemon, ebbwatt
):
    device = DEVICES[kind](tmp_path, unmeasured(child_env))
    volts, amps, hours = device.gives
    (tmp_path / "ebbwatt.toml").write_text(CONFIG + device.source)
    text = (ROOT / f"fixtures/devices/{kind}.toml").read_text(encoding="utf-8")
    fast = "\n[timing]\nfirst_wait_s = 0.1\nlongest_wait_s = 0.3\nstale_s = 3.0\n"
    (tmp_path / "device.toml").write_text(text.replace("every_s = 1.0", "every_s = 0.2") + fast)
    try:
        assert "a good description" in ebbwatt("check", "device.toml", cwd=tmp_path).stdout
        module = getattr(device, "module", "analysis")
        probe = [sys.executable, "-m", module, "probe", "--count", "3"]
        probed = subprocess.run(
            probe, cwd=tmp_path, env=child_env, capture_output=True, text=True, check=True
        )
        assert f"{volts:g} V, {amps:g} A" in probed.stdout
        # Its memory is looked at.
        daemon = start_daemon(tmp_path, measured=False, module=(module, "log"))
        reading = live(tmp_path, 5).reading
        assert (reading.voltage_v, reading.current_a) == pytest.approx((volts, amps))
        assert reading.runtime_h == (None if hours is None else pytest.approx(hours))
        for _ in range(3):
            device.vanish()
            gone = link_lost(tmp_path).readings
            device.appear()
            back_s = time.time()
            live(tmp_path, gone + 5)
            stored = stored_since(tmp_path, back_s + 0.5)
            assert stored[:2] == pytest.approx((volts, amps), rel=0.01)
        assert resident_kib(daemon) < device.most_mib * 1024
        if os.environ.get("EBBWATT_SHOW"):
            print(f"{kind}: {resident_kib(daemon) / 1024:.1f} MiB")
        daemon.send_signal(signal.SIGTERM)
        daemon.communicate(timeout=200)
        assert daemon.returncode == 0
        assert load_history(tmp_path / "ebbwatt.db").readings.sum() > gone
    finally:
        device.end()
