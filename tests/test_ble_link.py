"""Bluetooth LE through the real bleak, unchanged, against our own org.bluez on a private bus."""

import asyncio
import re
import signal
import time
import unicodedata
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.history import load_history
from logger.config import load_config
from logger.errors import ConfigError
from logger.sources import open_source
from logger.sources.ble_link import Connection
from logger.sources.decoders.characteristics import BASE
from logger.sources.decoders.checksums import crc
from tests.conftest import ROOT
from tests.rigs.bluez import BlueZ, Bus
from tests.rigs.live import live, resident_kib
from tests.rigs.sources import source_from, take

ASKS, ANSWERS = (f"7b1d000{k}-0f5c-4a5e-9b1a-000000000001" for k in (2, 3))
ADDRESS = "AA:BB:CC:DD:EE:01"
CONFIG = """\
[charger]
label = "Dabchick, aft locker"
rated_w = 110
[store]
path = "ebbwatt.db"
commit_s = 1
commit_rest_s = 1
[log]
interval_s = 0.1
[source]
kind = "ble"
address = "{address}"
description = "device.toml"
"""
PERIPHERAL = {
    "name": "invented charger \x1b[31m",
    "characteristics": {
        f"00002b18{BASE}": {"flags": ["read", "notify"], "value": "6003"},
        f"00002aee{BASE}": {"flags": ["read", "notify"], "value": "a401"},
        f"00002bed{BASE}": {"flags": ["read", "notify"], "value": "02a30250"},
        f"00002b14{BASE}": {"flags": ["read"], "value": "d20400"},
    },
}


@pytest.fixture
def bluez(tmp_path, program):
    program("dbus-daemon", "dbus")
    bus = Bus(tmp_path)
    rig = BlueZ(bus.address, {ADDRESS: PERIPHERAL})
    rig.bus = bus
    rig.address = bus.address
    yield rig
    rig.kill()
    bus.kill()


@pytest.fixture
def boat(tmp_path, bluez, start_daemon):
    folder = tmp_path / "boat"
    folder.mkdir()
    (folder / "ebbwatt.toml").write_text(CONFIG.format(address=ADDRESS))
    text = (ROOT / "fixtures/devices/ble-sig.toml").read_text(encoding="utf-8")
    fast = (
        "\n[timing]\nstale_s = 1.5\nfirst_reading_s = 4\nfirst_wait_s = 0.1\nlongest_wait_s = 0.3\n"
    )
    text = text.replace("scan_s = 15", "scan_s = 2\ncall_s = 1")
    (folder / "device.toml").write_text(text + fast)
    # Unmeasured: its memory is looked at.
    return folder, partial(
        start_daemon, folder, measured=False, DBUS_SYSTEM_BUS_ADDRESS=bluez.address
    )


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
#: Everything that may ever be called on BlueZ where nothing is asked of the device.
ONLY_LISTENS = {
    "GetManagedObjects", "SetDiscoveryFilter", "StartDiscovery", "StopDiscovery", "Connect",
    "Disconnect", "StartNotify", "StopNotify", "ReadValue",
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("faults", [LINK, CALLS, SYSTEM], ids=["link", "calls", "system"])
def test_every_fault_is_survived_without_a_person(boat, bluez, faults):
    folder, start = boat
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


def radio_source(tmp_path, bluez, monkeypatch, description):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bluez.address)
    text = f'[source]\nkind = "ble"\naddress = "{ADDRESS}"\n' + description
    return source_from(tmp_path, text)


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


# --- advertised data, and questions --------------------------------------------------------------


def example(name, **changes):
    """Return a worked example as tables inside [source], with some of its text changed."""
    text = (ROOT / f"fixtures/devices/{name}.toml").read_text(encoding="utf-8")
    for old, new in changes.items():
        text = re.sub(rf"(?m)^{old} = .*$", new if " = " in new else f"{old} = {new}", text)
    return re.sub(r"(?m)^\[", "[source.", text)


def session(source, bluez, count):
    got = asyncio.run(take(source, count))
    bluez.do()
    return got


def test_manufacturer_data_is_read_without_a_connection(tmp_path, bluez, monkeypatch):
    # 13504 mV, 420 x 10 mA, 12340 x 0.1 h, state 1. Another company's data are passed over.
    advertised = {"name": "x", "characteristics": {}}
    advertised["manufacturer"] = {0xFFFF: "c034a401343001ff", 0x1234: "00"}
    bluez.do(peripherals={ADDRESS: advertised, "AA:BB:CC:DD:EE:02": advertised})
    text = example("ble-advertised", advertised_every_s="0.2")
    source = radio_source(tmp_path, bluez, monkeypatch, text)
    got = session(source, bluez, 4)
    first = got[0]
    assert (first.voltage_v, first.current_a) == (pytest.approx(13.504), pytest.approx(4.2))
    assert first.runtime_h == pytest.approx(1234.0)
    assert str(first.state) == "running"
    assert min(b.time_s - a.time_s for a, b in pairwise(got)) > 0.15, "no faster than asked for"
    assert source.refusals.total == 0
    assert set(bluez.calls) <= ONLY_LISTENS - {"Connect", "StartNotify", "ReadValue"}


def test_service_data_is_decoded_by_any_decoder(tmp_path, bluez, monkeypatch):
    advertised = {"name": "x", "characteristics": {}}
    advertised["service_data"] = {f"0000fcd2{BASE}": b"U=13.5 I=4\n".hex()}
    bluez.do(peripherals={ADDRESS: advertised})
    source = radio_source(tmp_path, bluez, monkeypatch, """
[source.ble]
service_data = "FCD2"
advertised_every_s = 0.1
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
""")  # fmt: skip
    got = session(source, bluez, 2)
    assert (got[0].voltage_v, got[0].current_a) == (13.5, 4.0)
    assert "Connect" not in bluez.calls


def test_a_packet_of_a_wrong_length_is_refused(tmp_path, bluez, monkeypatch):
    advertised = {"name": "x", "characteristics": {}, "manufacturer": {0xFFFF: "c034"}}
    bluez.do(peripherals={ADDRESS: advertised})
    text = example("ble-advertised", advertised_every_s="0.1")
    source = radio_source(tmp_path, bluez, monkeypatch, text)
    with pytest.raises(TimeoutError):
        asyncio.run(take(source, 1, limit_s=1.0))
    assert source.refusals.by_reason.keys() == {"frame of a wrong length"}


FRAME = b"\xaa\x55" + (13500).to_bytes(2, "little") + (420).to_bytes(2, "little")


@pytest.mark.parametrize(
    ("decoder", "value", "fields"),
    [
        ('kind = "keyvalue"', b"U=13.5 I=4.2\r\n", ("U", "I")),
        ('kind = "csv"\ncolumns = ["u", "i"]', b"13.5,4.2\n", ("u", "i")),
        ('kind = "jsonlines"', b'{"u": 13.5, "i": 4.2}\n', ("u", "i")),
        (
            "kind = \"pattern\"\npattern = '(?P<u>\\S+) V (?P<i>\\S+) A'",
            b"13.5 V 4.2 A\n",
            ("u", "i"),
        ),
        (
            'kind = "xdr"\nchecksum = "optional"',
            b"$IIXDR,U,13.5,V,B,I,4.2,A,B\r\n",
            ("U:B", "I:B"),
        ),
        (
            (
                'kind = "frame"\nlength = 8\nstart = "AA55"\nchecksum = "CRC-16/MODBUS"\n'
                'layout = { u = { at = 2, type = "u16" }, i = { at = 4, type = "u16" } }'
            ),
            FRAME + crc("CRC-16/MODBUS", FRAME).to_bytes(2, "little"),
            ("u", "i"),
        ),
    ],
)
def test_any_decoder_over_a_serial_like_characteristic(
    tmp_path, bluez, monkeypatch, decoder, value, fields
):
    entry = {"flags": ["notify"], "value": value.hex()}
    bluez.do(peripherals={ADDRESS: {"name": "x", "characteristics": {ANSWERS: entry}}})
    scales = ("unit = 'mV'", "scale = 0.01") if "frame" in decoder else ("scale = 1", "scale = 1")
    source = radio_source(tmp_path, bluez, monkeypatch, f"""
[source.ble]
notify = ["{ANSWERS}"]
[source.decoder]
{decoder}
[source.fields]
voltage_v = {{ from = "{fields[0]}", {scales[0]} }}
current_a = {{ from = "{fields[1]}", {scales[1]} }}
""")  # fmt: skip
    got = session(source, bluez, 3)
    assert [(r.voltage_v, r.current_a) for r in got] == [(13.5, pytest.approx(4.2))] * 3
    assert source.refusals.total == 0
    assert bluez.writes == []


@pytest.mark.parametrize("flags", [["write"], ["write-without-response"]])
def test_only_the_configured_questions_are_written(tmp_path, bluez, monkeypatch, flags):
    pieces = [b"V=13.5", b"2 A=4.20 MO", b"DE=RUN\r\n"]
    asked = {
        "name": "x",
        "characteristics": {
            ASKS: {
                "flags": flags, "value": "", "answers_at": ANSWERS,
                "answers": {b"MEAS?\r\n".hex(): [piece.hex() for piece in pieces]},
            },
            ANSWERS: {"flags": ["notify"], "value": ""},
            f"00002a19{BASE}": {"flags": ["read", "write"], "value": "50"},
        },
    }  # fmt: skip
    bluez.do(peripherals={ADDRESS: asked})
    source = radio_source(tmp_path, bluez, monkeypatch, example("ble-asked", every_s="0.1"))
    got = session(source, bluez, 5)
    assert [(r.voltage_v, r.current_a, str(r.state)) for r in got] == [(13.52, 4.2, "running")] * 5
    assert source.refusals.total == 0
    # On the wire: every call that reached the radio, and every value that was written.
    assert set(bluez.calls) <= {*ONLY_LISTENS, "WriteValue"}
    assert {(uuid, bytes.fromhex(data)) for uuid, data in bluez.writes} == {(ASKS, b"MEAS?\r\n")}


def test_a_question_without_an_answer_is_counted_and_asked_again(tmp_path, bluez, monkeypatch):
    quiet = {
        "name": "x",
        "characteristics": {
            ASKS: {"flags": ["write"], "value": "", "answers_at": ANSWERS, "answers": {}},
            ANSWERS: {"flags": ["notify"], "value": ""},
        },
    }
    bluez.do(peripherals={ADDRESS: quiet})
    text = example("ble-asked", every_s="0.1", answer_s="0.1")
    source = radio_source(tmp_path, bluez, monkeypatch, text)
    with pytest.raises(TimeoutError):
        asyncio.run(take(source, 1, limit_s=2.0))
    assert source.refusals.by_reason["no answer"] >= 2


# --- looking round -------------------------------------------------------------------------------

#: A name that would clear the screen, set the title, pose as markup, and turn what follows.
EVIL = "\x1b[2J\x1b]0;owned\x07[bold]<b>x\u202egnp.exe\u200b\r\nAA:BB:CC:DD:EE:99  -10 dBm  forged"
VENDOR = "7b1d0009-0f5c-4a5e-9b1a-000000000001"
NEIGHBOURS = {
    ADDRESS: PERIPHERAL | {"name": EVIL, "manufacturer": {0xFFFF: "c034a401"}},
    "AA:BB:CC:DD:EE:02": {
        "name": "invented charger",
        "characteristics": {
            f"00002a24{BASE}": {
                "flags": ["read"], "value": "Cad \x1b[31m\u202e1".encode().hex(),
                "service": f"0000180a{BASE}",
            },
            f"00002b18{BASE}": {"flags": ["read"], "value": "600300"},
            f"00002bed{BASE}": {"flags": ["read", "notify"], "value": "02a30250"},
            f"00002b14{BASE}": {"flags": ["read"], "value": "ffffff"},
            # Presentation format: uint16, exponent -2, volt.
            VENDOR: {"flags": ["read"], "value": "4605", "presentation": "06fe2827010000"},
            f"00002a19{BASE}": {"flags": ["notify", "write"], "value": "50"},
        },
    },
}  # fmt: skip


def acting(text):
    """Return the characters of ``text`` that would act on a terminal instead of being read."""
    return {c for c in text if unicodedata.category(c) in {"Cc", "Cf", "Co", "Cs"} and c != "\n"}


def test_a_scan_lists_who_is_there_and_their_names_are_harmless(bluez, ebbwatt):
    bluez.do(peripherals=NEIGHBOURS)
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    text = ebbwatt("probe", "--scan", "--seconds", "2", env=env).stdout
    lines = text.splitlines()
    assert [line[:17] for line in lines if line[:1] == "A"] == list(NEIGHBOURS), "one line each"
    assert not acting(text)
    assert "AA:BB:CC:DD:EE:02    -61 dBm  invented charger" in text
    assert "1801" in text
    assert "company FFFF: c0 34 a4 01" in text
    assert lines[-1].startswith("2 devices")
    bluez.do()
    assert "Connect" not in bluez.calls


def test_one_device_is_shown_with_its_services_and_decoded_values(bluez, ebbwatt):
    bluez.do(peripherals=NEIGHBOURS)
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    text = ebbwatt("probe", "--scan", "aa:bb:cc:dd:ee:02", "--seconds", "3", env=env).stdout
    assert not acting(text)
    for part in (
        "service 180A Device Information",
        "2A24 Model Number  [read]",
        "2A24 = Cad [31m1",
        "2B18 Voltage  [read]",
        "value of a wrong length or form (2B18: 3 bytes)",
        "2BED.charging_type = constant_current",
        "2B14 = not known",
        "13.5 V  by its presentation format (uint16, scale = 0.01)",
        f'formats = {{ "{VENDOR}" = "uint16" }}',
        "2A19 Battery Level  [notify, write]",
    ):
        assert part in text, part
    bluez.do()
    assert set(bluez.calls) <= ONLY_LISTENS - {"StartNotify"}, "nothing is written, nothing set"
    assert "Disconnect" in bluez.calls


def test_a_value_that_cannot_be_read_does_not_end_the_look(bluez, ebbwatt):
    bluez.do(failing={"ReadValue": 1}, failure=["Failed", "Operation failed with ATT error: 0x05"])
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    text = ebbwatt("probe", "--scan", ADDRESS, "--seconds", "3", env=env).stdout
    assert "cannot be read: the device refused: insufficient authentication" in text
    assert "2AEE = 4.2 A" in text


def test_a_device_out_of_reach_and_an_adapter_that_is_off_are_one_line(bluez, ebbwatt):
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    gone = ebbwatt("probe", "--scan", "AA:BB:CC:DD:EE:77", "--seconds", "1", env=env, status=1)
    assert "AA:BB:CC:DD:EE:77: not seen" in gone.stderr
    wrong = ebbwatt("probe", "--scan", "the charger", env=env, status=2)
    assert "takes an address such as" in wrong.stderr
    bluez.do(power=False)
    off = ebbwatt("probe", "--scan", "--seconds", "1", env=env, status=1)
    assert "the Bluetooth adapter is off" in off.stderr
    bluez.kill()
    none = ebbwatt("probe", "--scan", "--seconds", "1", env=env, status=1)
    assert "there is no Bluetooth adapter, or BlueZ does not run" in none.stderr
    bluez.start()


def test_a_capture_of_characteristics_can_be_checked(boat, bluez, ebbwatt, monkeypatch):
    folder, _ = boat
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bluez.address)
    probed = ebbwatt("probe", "--seconds", "3", "--capture", "talk.jsonl", cwd=folder)
    assert "13.5 V, 4.2 A, runtime 1234 h, running" in probed.stdout
    assert "baud" not in probed.stdout, "the bytes of characteristics are no text"
    checked = ebbwatt("check", "device.toml", "--against", "talk.jsonl", cwd=folder)
    told = " readings, 0 refused, 0 messages without"
    assert told in probed.stdout
    assert told in checked.stdout


def test_a_device_left_connected_by_a_crash_is_found(boat, bluez):
    folder, start = boat
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
    path.write_text(CONFIG.format(address=ADDRESS).replace(old, new))
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
    (tmp_path / "ebbwatt.toml").write_text(CONFIG.format(address=ADDRESS))
    text = (ROOT / "fixtures/devices/ble-sig.toml").read_text(encoding="utf-8")
    (tmp_path / "device.toml").write_text(text.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        open_source(load_config(tmp_path / "ebbwatt.toml"))
    assert says in str(caught.value)
