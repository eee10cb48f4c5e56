"""Faults of Bluetooth LE through the real bleak, against our own org.bluez on a private bus."""

import asyncio
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.history.history import load_history
from logger.config import load_config
from logger.errors import ConfigError
from logger.sources import open_source
from logger.sources.decoders.characteristics import BASE
from logger.sources.link.ble_link import Connection
from logger.sources.link.supervision import MOST_TOLD
from logger.system.snapshot import read_snapshot, snapshot_path
from tests.conftest import ROOT
from tests.support.rigs.devices.bluez import (
    ADDRESS,
    ONLY_LISTENS,
    PERIPHERAL,
    RADIO_CONFIG,
    BlueZ,
    quick_description,
)
from tests.support.rigs.devices.sources import inside_source, radio_source, take
from tests.support.rigs.live import live, resident_kib, stored_since, wait_for
from tests.support.rigs.supervised import survives

pytestmark = pytest.mark.waits

LOST = "the radio link was lost"
SLOW = "a call to the radio took too long"
NO_BLUEZ = "there is no Bluetooth adapter, or BlueZ does not run"
BUSY = "[org.bluez.Error.InProgress] busy"
OURS = PERIPHERAL["characteristics"]
BEFORE = f"00002a19{BASE}"


@dataclass
class Fault:
    """How a fault is done to the rig, for what reason a session ends then, and how it is undone."""

    does: dict | Callable
    says: str
    undo: dict | Callable | None = None

    def inject(self, bluez):
        _apply(self.does, bluez)

    def take_back(self, bluez):
        _apply(self.undo or {}, bluez)


def _apply(how, bluez):
    if callable(how):
        how(bluez)
    else:
        bluez.do(**how)


def fails(member, times, name="InProgress", text="busy"):
    """Answer the next calls with an error; the link is dropped so that they are made."""
    return {"failing": {member: times}, "failure": [name, text], "drop": True}


def drops_during_a_read(bluez):
    bluez.do(hanging=["ReadValue"])
    before = bluez.calls.count("ReadValue")

    def asked():
        bluez.do()
        return bluez.calls.count("ReadValue") > before

    wait_for(asked)
    bluez.do(drop=True)


def kill_the_bus(bluez):
    bluez.kill()
    bluez.bus.kill()


def start_the_bus(bluez):
    bluez.bus.start()
    bluez.start()


def characteristics(table):
    """Return what makes the peripheral another one, from the next connection on."""
    return {"peripherals": {ADDRESS: PERIPHERAL | {"characteristics": table}}, "drop": True}


#: What bleak 3.1.0 and BlueZ show under each fault (tried out beforehand against a private bus, or
#: reported of BlueZ), the reason for which a session ends then, and what takes the fault back.
FAULTS = {
    "notifications stop, the link stays": Fault({"unsubscribe": True}, "no reading for 1.5 s"),
    "device silent": Fault({"silent": True}, "no reading for 1.5 s", {"silent": False}),
    "link drops": Fault({"drop": True}, LOST),
    # No callback runs, and bleak goes on calling the device connected.
    "bluetoothd killed": Fault(BlueZ.kill, NO_BLUEZ, BlueZ.start),
    "dbus-daemon killed": Fault(kill_the_bus, "Connection refused", start_the_bus),
    # bleak's own calls have no limit.
    "ReadValue never answered": Fault({"hanging": ["ReadValue"]}, SLOW, {"hanging": []}),
    "ReadValue unanswered while the link drops": Fault(drops_during_a_read, LOST, {"hanging": []}),
    "ReadValue in progress: polled without limit": Fault(
        {"failing": {"ReadValue": 10**6}, "failure": ["InProgress", "busy"]}, SLOW, {"failing": {}}
    ),
    "ATT error": Fault(
        fails("ReadValue", 1, "Failed", "Operation failed with ATT error: 0x0e"),
        "the device refused: unlikely error",
    ),
    "Connect never answered": Fault({"hanging": ["Connect"], "drop": True}, SLOW, {"hanging": []}),
    "StartNotify never answered": Fault(
        {"hanging": ["StartNotify"], "drop": True}, SLOW, {"hanging": []}
    ),
    "StartDiscovery never answered": Fault(
        {"hanging": ["StartDiscovery"], "drop": True}, SLOW, {"hanging": []}
    ),
    "StopDiscovery never answered": Fault(
        {"hanging": ["StopDiscovery"], "drop": True}, SLOW, {"hanging": []}
    ),
    "services never resolved": Fault(
        {"unresolved": True, "drop": True}, SLOW, {"unresolved": False}
    ),
    "link drops before services resolved": Fault(
        {"drops_early": 2, "drop": True}, "failed to discover services, device disconnected"
    ),
    # As BlueZ does half a minute after a scan (TemporaryTimeout).
    "device object gone": Fault({"vanishes": 2, "drop": True}, "not found"),
    "device out of reach": Fault(
        {"forget": True, "out_of_reach": True}, "not seen", {"out_of_reach": False}
    ),
    "adapter off": Fault({"power": False}, "the Bluetooth adapter is off", {"power": True}),
    "adapter absent": Fault({"adapter": False}, NO_BLUEZ, {"adapter": True}),
    "StartDiscovery in progress": Fault(fails("StartDiscovery", 3), BUSY),
    "StopDiscovery in progress": Fault(fails("StopDiscovery", 1), LOST),
    "StopDiscovery in progress twice": Fault(fails("StopDiscovery", 2), BUSY),
    "Connect failed": Fault(fails("Connect", 3, "Failed", "Connection refused"), "refused"),
    "Connect in progress": Fault(fails("Connect", 3), BUSY),
    "StartNotify in progress": Fault(fails("StartNotify", 2), BUSY),
    "StartNotify not supported": Fault(
        fails("StartNotify", 2, "NotSupported", "Operation is not supported"), "not supported"
    ),
    # bleak tries again by itself.
    "le-connection-abort-by-local": Fault(
        fails("Connect", 2, "Failed", "le-connection-abort-by-local"), LOST
    ),
    # The device stays connected, so that no scan shows it.
    "Disconnect never answered": Fault(
        {"hanging": ["Disconnect"], "unsubscribe": True}, "not seen", {"hanging": []}
    ),
    # Other firmware: its values stand at other handles, or one of them is missing.
    "other handles": Fault(
        characteristics({BEFORE: {"flags": ["read"], "value": ""}, **OURS}), LOST
    ),
    "characteristic missing": Fault(
        characteristics({uuid: entry for uuid, entry in OURS.items() if "2aee" not in uuid}),
        "has no characteristic 2AEE",
        characteristics(OURS),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_is_survived(tmp_path, bluez, monkeypatch, name):
    fault = FAULTS[name]
    text = inside_source(quick_description())
    source = radio_source(tmp_path, bluez, monkeypatch, text)
    link = survives(
        source, partial(fault.inject, bluez), fault.says, partial(fault.take_back, bluez)
    )
    last = link.readings[-1]
    assert (last.voltage_v, last.current_a) == (13.5, pytest.approx(4.2))
    first, *others = dict.fromkeys(link.reasons)
    told = [f"{first}; trying again until it is back", *(f"{r}; still trying" for r in others)]
    assert link.notices == told[:MOST_TOLD], "each reason is told once"
    assert link.changes[-1].losses == len(link.reasons), "and counted"
    if (fault.says, fault.undo) == (LOST, None):
        assert len(link.reasons) == 1, "the next session is a good one"
    # On a busy machine the fault can come between two values of one reading.
    lost = {"a call to the radio was lost with its link", "incomplete message"}
    assert source.refusals.by_reason.keys() <= lost
    bluez.do()
    assert not any(bluez.failing.values()), "each error was met"
    assert set(bluez.calls) <= ONLY_LISTENS
    assert bluez.writes == []
    assert "Disconnect" in bluez.calls, "the link is given back at the end"


#: Those through which the whole daemon goes, one of each kind.
WITH_THE_DAEMON = [
    "link drops", "notifications stop, the link stays", "ReadValue never answered",
    "Connect failed", "adapter off", "bluetoothd killed", "dbus-daemon killed", "link drops",
]  # fmt: skip


@pytest.mark.slow
def test_the_daemon_logs_on_through_one_fault_of_each_kind(radio_boat, bluez):
    folder, start = radio_boat
    daemon = start()
    reading = live(folder, 10).reading
    assert (reading.voltage_v, reading.current_a) == (13.5, pytest.approx(4.2))
    assert str(reading.state) == "running"
    assert reading.runtime_h == 1234.0
    files = len(list(Path(f"/proc/{daemon.pid}/fd").iterdir()))
    path = snapshot_path(folder / "ebbwatt.db")
    for name in WITH_THE_DAEMON:
        FAULTS[name].inject(bluez)
        wait_for(lambda: read_snapshot(path).link != "live")
        gone = live(folder).readings
        FAULTS[name].take_back(bluez)
        back_s = time.time()
        seen = live(folder, gone + 5).readings
        stored = stored_since(folder, back_s + 0.5)
        assert stored == pytest.approx((13.5, 4.2, 1234.0), rel=0.01), name
        bluez.do()
        assert set(bluez.calls) <= ONLY_LISTENS, name
    assert daemon.poll() is None
    assert resident_kib(daemon) < 34 * 1024
    assert len(list(Path(f"/proc/{daemon.pid}/fd").iterdir())) <= files + 2, "sessions leak"
    daemon.send_signal(signal.SIGTERM)
    _, told = daemon.communicate(timeout=200)
    assert daemon.returncode == 0
    assert "Traceback" not in told
    assert "never retrieved" not in told
    assert told.count("trying again") == 1, "warned once, then counted"
    assert told.count("still trying") < MOST_TOLD
    assert len(set(told.splitlines())) == len(told.splitlines()) <= 4 + MOST_TOLD
    assert load_history(folder / "ebbwatt.db").readings.sum() >= seen, "all of it is stored"
    bluez.do()
    assert "Disconnect" in bluez.calls, "the link is given back at the end"
    assert bluez.writes == []


def test_a_value_that_is_read_and_notified_counts_once(tmp_path, bluez, monkeypatch):
    # BlueZ tells subscribers of what was read: both would bring each value twice.
    source = radio_source(tmp_path, bluez, monkeypatch, """
[source.ble]
notify = ["2B18"]
read = ["2B18", "2B14"]
read_every_s = 0.1
[source.decoder]
kind = "characteristics"
[source.fields]
voltage_v = "2B18"
runtime_h = { from = "2B14", hold_s = 60, optional = true }
""")  # fmt: skip
    got = asyncio.run(take(source, 10))
    spacings = [b.time_s - a.time_s for a, b in pairwise(got)]
    assert min(spacings) > 0.02, "notified every 0.05 s"
    bluez.do()
    assert bluez.calls.count("StartNotify") == 1


def test_a_value_notified_three_times_at_once_is_no_fault(tmp_path, bluez, monkeypatch):
    bluez.do(times=3)
    source = radio_source(tmp_path, bluez, monkeypatch, """
[source.decoder]
kind = "characteristics"
[source.fields]
voltage_v = "2B18"
""")  # fmt: skip
    got = asyncio.run(take(source, 9))
    assert {r.voltage_v for r in got} == {13.5}
    assert source.refusals.total == 0


def test_an_error_of_ours_in_a_callback_does_not_end_the_link(tmp_path, bluez, monkeypatch, caplog):
    # dbus-fast swallows it; it must be told, and nothing else be lost.
    whole, failures = Connection._put, []

    def broken(self, channel, data):
        if len(failures) < 3:
            failures.append(channel)
            raise RuntimeError("a fault of ours")
        whole(self, channel, data)

    monkeypatch.setattr(Connection, "_put", broken)
    source = radio_source(tmp_path, bluez, monkeypatch, """
[source.decoder]
kind = "characteristics"
[source.fields]
voltage_v = "2B18"
""")  # fmt: skip
    got = asyncio.run(take(source, 5))
    assert [r.voltage_v for r in got] == [13.5] * 5
    assert len(failures) == 3
    bluez.do()
    assert bluez.calls.count("Connect") == 1, "the same link all along"
    assert "a fault of ours" in caplog.text


def test_a_device_left_connected_by_a_crash_is_found(radio_boat, bluez):
    folder, start = radio_boat
    first = start()
    live(folder, 5)
    first.send_signal(signal.SIGKILL)
    first.wait(200)
    start()
    assert live(folder, 5, session=2).reading.voltage_v == 13.5
    bluez.do()
    assert bluez.calls.count("Connect") == 1, "the link that was left is used, not made anew"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (ADDRESS, "the charger", "six pairs of hexadecimal digits"),
        ('kind = "ble"', 'kind = "bel"', "did you mean ble?"),
    ],
)
def test_settings_that_cannot_work_say_why(tmp_path, old, new, says):
    path = tmp_path / "ebbwatt.toml"
    path.write_text(RADIO_CONFIG.format(address=ADDRESS).replace(old, new))
    (tmp_path / "device.toml").write_bytes((ROOT / "fixtures/devices/ble-sig.toml").read_bytes())
    with pytest.raises(ConfigError) as caught:
        open_source(load_config(path))
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"2B18"', '"2B19"', "did you mean 2B18?"),
        ("[ble]", "[ble]\nnotify = ['zz']", "four or 32 hexadecimal digits"),
        ("[ble]", "[poll]\nsend = ['x']\n[ble]", "needs write in [ble]"),
        ("[ble]", "[ble]\nwrite = '2B18'", "nothing else is ever written"),
        ("[ble]", "[ble]\nwrite = 'x'", "four or 32 hexadecimal digits"),
        ("[ble]", "[ble]\ncompany = 'FF'", "four hexadecimal digits such as FFFF"),
        ("[ble]", "[ble]\ncompany = 'FFFF'\nnotify = ['2B18']", "stands beside notify"),
        ("[ble]", "[ble]\ncompany = 'FFFF'\nservice_data = '180F'", "stands beside service_data"),
        ("[ble]", "[line]\nbaud = 9600\n[ble]", "no meaning on a radio link"),
        ('kind = "characteristics"', 'kind = "keyvalue"', "needs notify, read, company"),
    ],
)
def test_descriptions_that_cannot_work_say_why(tmp_path, old, new, says):
    (tmp_path / "ebbwatt.toml").write_text(RADIO_CONFIG.format(address=ADDRESS))
    text = (ROOT / "fixtures/devices/ble-sig.toml").read_text(encoding="utf-8")
    (tmp_path / "device.toml").write_text(text.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        open_source(load_config(tmp_path / "ebbwatt.toml"))
    assert says in str(caught.value)
