"""What is heard and asked over Bluetooth LE, through the real bleak and our own org.bluez."""

import asyncio
import re
import signal
import unicodedata
from itertools import pairwise

import pytest

from logger.sources.decoders.characteristics import BASE
from logger.sources.decoders.checksums import crc
from tests.conftest import ROOT
from tests.support.rigs.devices.bluez import ADDRESS, ONLY_LISTENS, PERIPHERAL
from tests.support.rigs.devices.sources import inside_source, radio_source, take
from tests.support.rigs.live import live

pytestmark = pytest.mark.waits

ASKS, ANSWERS = (f"7b1d000{k}-0f5c-4a5e-9b1a-000000000001" for k in (2, 3))


# --- advertised data, and questions --------------------------------------------------------------


def example(name, **changes):
    """Return a worked example as tables inside [source], with some of its text changed."""
    text = (ROOT / f"fixtures/devices/{name}.toml").read_text(encoding="utf-8")
    for old, new in changes.items():
        text = re.sub(rf"(?m)^{old} = .*$", new if " = " in new else f"{old} = {new}", text)
    return inside_source(text)


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


async def refused(source, count=1):
    """Listen until so much was refused; no reading comes of it."""
    task = asyncio.ensure_future(take(source, 1))
    async with asyncio.timeout(200):
        while source.refusals.total < count:  # noqa: ASYNC110 - nobody tells of it
            await asyncio.sleep(0.02)
    assert not task.done()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def test_a_packet_of_a_wrong_length_is_refused(tmp_path, bluez, monkeypatch):
    advertised = {"name": "x", "characteristics": {}, "manufacturer": {0xFFFF: "c034"}}
    bluez.do(peripherals={ADDRESS: advertised})
    text = example("ble-advertised", advertised_every_s="0.1")
    source = radio_source(tmp_path, bluez, monkeypatch, text)
    asyncio.run(refused(source))
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


def test_no_more_is_written_by_probe_and_daemon_through_dropouts(radio_boat, bluez, ebbwatt):
    folder, start = radio_boat
    answer = {b"MEAS?\r\n".hex(): [b"V=13.52 A=4.20 MODE=RUN\r\n".hex()]}
    asks = {"flags": ["write"], "value": "", "answers_at": ANSWERS, "answers": answer}
    quiet = {ANSWERS: {"flags": ["notify"], "value": ""}}
    others = {f"00002a19{BASE}": {"flags": ["read", "write", "notify"], "value": "50"}}
    characteristics = {ASKS: asks} | quiet | others
    bluez.do(peripherals={ADDRESS: {"name": "x", "characteristics": characteristics}})
    text = (ROOT / "fixtures/devices/ble-asked.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^every_s = .*$", "every_s = 0.2", text)
    fast = "\n[timing]\nstale_s = 1.5\nfirst_wait_s = 0.1\nlongest_wait_s = 0.3\n"
    (folder / "device.toml").write_text(text + fast)
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    assert "3 readings, 0" in ebbwatt("probe", "--count", "3", cwd=folder, env=env).stdout
    bluez.do()
    probed = len(bluez.writes)
    assert probed in {3, 4}
    daemon = start()
    for _ in range(3):
        seen = live(folder, 3).readings
        bluez.do(drop=True)
        live(folder, seen + 3)
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate(timeout=200)
    bluez.do()
    assert len(bluez.writes) > probed + 9
    assert bluez.writes == [[ASKS, b"MEAS?\r\n".hex()]] * len(bluez.writes)
    assert set(bluez.calls) <= {*ONLY_LISTENS, "WriteValue"} - {"ReadValue"}


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
    asyncio.run(refused(source, 2))
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


def test_who_cannot_be_connected_says_what_it_advertises(bluez, ebbwatt):
    bluez.do(
        peripherals=NEIGHBOURS, failing={"Connect": 99}, failure=["Failed", "le-connection-abort"]
    )
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    text = ebbwatt("probe", "--scan", ADDRESS, "--seconds", "2", env=env).stdout
    assert "cannot be connected: " in text
    assert "company FFFF: c0 34 a4 01" in text
    assert "can be logged without a connection" in text
    assert not acting(text)


def test_bytes_that_nothing_names_may_be_a_packed_structure(bluez, ebbwatt):
    packed = {VENDOR: {"flags": ["read", "notify"], "value": "2805a401f0b21002"}}
    bluez.do(peripherals={ADDRESS: {"name": "x", "characteristics": packed}})
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    text = ebbwatt("probe", "--scan", ADDRESS, "--seconds", "3", env=env).stdout
    assert f"a packed structure may be {VENDOR} (8 bytes)" in text
    assert 'kind = "frame", framing = "packet"' in text


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


def test_a_capture_of_characteristics_can_be_checked(radio_boat, bluez, ebbwatt, monkeypatch):
    folder, _ = radio_boat
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bluez.address)
    bluez.do(period_s=0.25)  # a busy machine takes long to turn three notifications on
    probed = ebbwatt("probe", "--seconds", "3", "--capture", "talk.jsonl", cwd=folder)
    assert "13.5 V, 4.2 A, runtime 1234 h, running" in probed.stdout
    assert "baud" not in probed.stdout, "the bytes of characteristics are no text"
    checked = ebbwatt("check", "device.toml", "--against", "talk.jsonl", cwd=folder)
    told = " readings, 0 refused, 0 messages without"
    assert told in probed.stdout
    assert told in checked.stdout
    bluez.do()
    assert bluez.writes == []
    assert set(bluez.calls) <= ONLY_LISTENS
