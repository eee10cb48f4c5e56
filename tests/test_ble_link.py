"""Faults of Bluetooth LE through the real bleak, against our own org.bluez on a private bus."""

import asyncio
import signal
import time
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.history import load_history
from logger.config import load_config
from logger.errors import ConfigError
from logger.sources import open_source
from logger.sources.ble_link import Connection
from tests.conftest import ROOT
from tests.rigs.bluez import ADDRESS, ONLY_LISTENS, RADIO_CONFIG
from tests.rigs.live import live, resident_kib
from tests.rigs.sources import radio_source, take

# --- faults --------------------------------------------------------------------------------------


def pause(bluez, before, after, lasting_s):
    bluez.do(**before)
    time.sleep(lasting_s)
    bluez.do(**after)


def fails(bluez, member, times, name="InProgress", text="busy"):
    """Answer the next calls with an error; the link is dropped so that they are made."""
    bluez.do(failing={member: times}, failure=[name, text], drop=True)


def bluetoothd_dies(bluez):
    bluez.kill()
    time.sleep(0.6)
    bluez.start()


def bus_dies(bluez):
    bluez.kill()
    bluez.bus.kill()
    time.sleep(0.6)
    bluez.bus.start()
    bluez.start()


#: What can happen, each with how it is done to the rig. What bleak 3.1.0 makes of it was tried out
#: beforehand: the first words of each group say it.
LINK = {
    # The callback runs, or nothing tells at all.
    "link lost": lambda b: b.do(drop=True),
    "link lost again": lambda b: b.do(drop=True),
    "notifications stop while the link stays": lambda b: b.do(unsubscribe=True),
    "device silent for a while": lambda b: pause(b, {"silent": True}, {"silent": False}, 2.0),
    "link lost before the services are known": lambda b: b.do(drops_early=2, drop=True),
    "services never known": lambda b: pause(
        b, {"unresolved": True, "drop": True}, {"unresolved": False}, 2.0
    ),
    "device forgotten by BlueZ and out of reach": lambda b: pause(
        b, {"forget": True, "out_of_reach": True}, {"out_of_reach": False}, 1.0
    ),
    "device forgotten by BlueZ, in reach": lambda b: b.do(forget=True),
}
CALLS = {
    # Errors of BlueZ, or no answer: bleak's own calls have no limit.
    "scanning is in progress elsewhere": lambda b: fails(b, "StartDiscovery", 3),
    "a scan that does not stop": lambda b: fails(b, "StopDiscovery", 2),
    "connecting fails": lambda b: fails(b, "Connect", 3, "Failed", "Connection refused"),
    "connecting is in progress": lambda b: fails(b, "Connect", 3),
    "connecting is given up by our own side": lambda b: fails(
        b, "Connect", 2, "Failed", "le-connection-abort-by-local"
    ),
    "connecting is never answered": lambda b: pause(
        b, {"hanging": ["Connect"], "drop": True}, {"hanging": []}, 2.0
    ),
    "subscribing fails": lambda b: fails(b, "StartNotify", 2),
    "subscribing is not supported": lambda b: fails(
        b, "StartNotify", 2, "NotSupported", "Operation is not supported"
    ),
    "a read is refused by the device": lambda b: fails(
        b, "ReadValue", 2, "Failed", "Operation failed with ATT error: 0x0e"
    ),
    "a read is in progress for ever": lambda b: pause(
        b, {"failing": {"ReadValue": 10**6}, "failure": ["InProgress", "busy"]},
        {"failing": {}}, 4.0,
    ),
    "a read hangs": lambda b: pause(
        b, {"hanging": ["ReadValue"], "drop": True}, {"hanging": []}, 2.0
    ),
    # The device stays connected, so that no scan shows it.
    "a disconnect is never answered": lambda b: pause(
        b, {"hanging": ["Disconnect"], "unsubscribe": True}, {"hanging": []}, 3.5
    ),
}  # fmt: skip
SYSTEM = {
    # bleak goes on calling the device connected where bluetoothd has died.
    "adapter off and on": lambda b: pause(b, {"power": False}, {"power": True}, 0.6),
    "adapter pulled and back": lambda b: pause(b, {"adapter": False}, {"adapter": True}, 0.6),
    "bluetoothd dies and comes back": bluetoothd_dies,
    "the message bus dies and comes back": bus_dies,
}


@pytest.mark.slow
@pytest.mark.parametrize("faults", [LINK, CALLS, SYSTEM], ids=["link", "calls", "system"])
def test_every_fault_is_survived_without_a_person(radio_boat, bluez, faults):
    folder, start = radio_boat
    daemon = start()
    reading = live(folder, 10).reading
    assert (reading.voltage_v, reading.current_a) == (13.5, pytest.approx(4.2))
    assert str(reading.state) == "running"
    assert reading.runtime_h == 1234.0
    files = len(list(Path(f"/proc/{daemon.pid}/fd").iterdir()))
    for name, fault in faults.items():
        fault(bluez)
        seen = live(folder, 0).readings
        assert live(folder, seen + 5).readings > seen, name
        bluez.do()
        assert set(bluez.calls) <= ONLY_LISTENS, name
    assert daemon.poll() is None
    assert resident_kib(daemon) < 34 * 1024
    assert len(list(Path(f"/proc/{daemon.pid}/fd").iterdir())) <= files + 4, "sessions leak"
    daemon.send_signal(signal.SIGTERM)
    _, told = daemon.communicate(timeout=20)
    assert daemon.returncode == 0
    assert "Traceback" not in told
    assert "never retrieved" not in told
    assert len(told.splitlines()) <= 5 + len(faults), "warned once for each trouble"
    assert load_history(folder / "ebbwatt.db").readings.sum() > 0
    bluez.do()
    assert "Disconnect" in bluez.calls, "the link is given back at the end"
    assert bluez.writes == []


#: What bleak 3.1.0 shows under each fault (tried out against a private bus), and where it is
#: injected: a fault of the tables above, or a test of its own.
ROWS = {
    "notifications stop, the link stays": "notifications stop while the link stays",
    "link drops": "link lost",
    "bluetoothd killed: no callback, still 'connected'": "bluetoothd dies and comes back",
    "dbus-daemon killed": "the message bus dies and comes back",
    "ReadValue never answered": "a read hangs",
    "ReadValue in progress: polled without limit": "a read is in progress for ever",
    "ATT error": "a read is refused by the device",
    "Connect never answered": "connecting is never answered",
    "services never resolved": "services never known",
    "link drops before services resolved": "link lost before the services are known",
    "device object gone": "device forgotten by BlueZ and out of reach",
    "adapter off": "adapter off and on",
    "adapter absent": "adapter pulled and back",
    "StartDiscovery in progress": "scanning is in progress elsewhere",
    "StopDiscovery in progress": "a scan that does not stop",
    "Connect failed": "connecting fails",
    "Connect in progress": "connecting is in progress",
    "StartNotify not supported": "subscribing is not supported",
    "le-connection-abort-by-local": "connecting is given up by our own side",
    "Disconnect never answered": "a disconnect is never answered",
    "notification callback raises": "test_an_error_of_ours_in_a_callback_does_not_end_the_link",
    "read of a subscribed characteristic": "test_a_value_that_is_read_and_notified_counts_once",
    "same value three times": "test_a_value_notified_three_times_at_once_is_no_fault",
    "already connected at our start": "test_a_device_left_connected_by_a_crash_is_found",
    "task cancelled: Disconnect is sent": "test_every_fault_is_survived_without_a_person",
    "many rounds: descriptors do not leak": "test_every_fault_is_survived_without_a_person",
}


@pytest.mark.parametrize("row", ROWS)
def test_every_row_is_injected(row):
    assert ROWS[row] in {**LINK, **CALLS, **SYSTEM} or callable(globals()[ROWS[row]])


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
    first.wait(20)
    start()
    assert live(folder, 5, session=2).session == 2


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
        ("[ble]", "[line]\nbaud = 9600\n[ble]", "use [ble] here"),
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
