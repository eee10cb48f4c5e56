"""Binary frames, Modbus registers and polled text: vectors, and each device through the daemon."""

import os
import re
import select
import signal
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history.history import load_history
from logger.errors import ConfigError
from logger.settings import Document
from logger.sources.decoders.checksums import checksum, crc
from logger.sources.decoders.frame import uncobs, unslip
from logger.sources.decoders.modbus import Block, request
from logger.sources.decoding import Context, Message, Place, Refused
from logger.sources.description import build_decoder, read_description
from logger.sources.link.port import MOST_AT_ONCE
from tests.conftest import ROOT
from tests.support.rigs.framing import cobs, slip
from tests.support.rigs.live import live, resident_kib, stored_since
from tests.support.rigs.pty_line import PtyLine

PLACE = Place(Document(Path("device.toml"), {}))
FRAME = {
    "kind": "frame", "length": 8, "start": "AA55", "checksum": "CRC-16/MODBUS",
    "layout": {"volts": {"at": 2, "type": "u16"}, "amps": {"at": 4, "type": "s16"}},
}  # fmt: skip
REGISTERS = {
    "kind": "modbus", "unit": 1,
    "registers": {
        "volts": {"at": 0, "function": 3},
        "wide": {"at": 4, "function": 3, "type": "u32"},
    },
}  # fmt: skip


def build(table, **changes):
    return build_decoder(table | changes, PLACE)[1]


def frame(volts, amps):
    body = b"\xaa\x55" + struct.pack("<Hh", volts, amps)
    return body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")


def told(step):
    return [dict(i.values) if isinstance(i, Message) else i.reason for i in step.items]


# --- binary frames -------------------------------------------------------------------------------


def test_frames_are_found_again_behind_garbage():
    made = build(FRAME)
    one, two = frame(13520, 420), frame(13530, -5)
    data = b"\x00\xaa" + one + b"\xaa\x55\x01" + two + one[:3]
    step = made.decode(data, Context())
    assert [i for i in told(step) if isinstance(i, dict)] == [
        {"volts": 13520, "amps": 420},
        {"volts": 13530, "amps": -5},
    ]
    assert data[step.used :] == one[:3], "the beginning of the next frame waits"


def test_a_wrong_checksum_is_told_with_both_values():
    spoiled = bytearray(frame(13520, 420))
    spoiled[3] ^= 1
    step = build(FRAME).decode(bytes(spoiled) + frame(1, 1), Context())
    assert told(step)[0] == "wrong CRC"
    assert "the bytes give" in step.items[0].detail
    assert told(step)[-1] == {"volts": 1, "amps": 1}


def test_slip_by_the_vector_of_its_rules():
    # RFC 1055: END 0xC0, ESC 0xDB; 0xC0 -> DB DC, 0xDB -> DB DD.
    assert unslip(bytes.fromhex("01dbdcdbdd02")) == bytes.fromhex("01c0db02")
    assert unslip(b"\xdb\x01") is None
    assert unslip(b"\x01\xdb") is None


@pytest.mark.parametrize(
    ("packed", "plain"),
    [
        # Cheshire and Baker (1999), IEEE/ACM Trans. Networking 7:159-172; vectors computed with the
        # package cobs 1.2.2.
        ("0101", "00"),
        ("0311220233", "11220033"),
        ("0511223344", "11223344"),
        ("0211010101", "11000000"),
    ],
)
def test_cobs_vectors(packed, plain):
    assert uncobs(bytes.fromhex(packed)) == bytes.fromhex(plain)


def test_cobs_of_254_bytes_and_broken_ones():
    assert uncobs(b"\xff" + b"\x01" * 254) == b"\x01" * 254
    assert uncobs(b"\x05\x01") is None


def test_frames_in_slip_begin_in_the_middle():
    made = build(FRAME, framing="slip")
    data = b"\x01\x02" + slip(frame(0xC0DB, 1)) + slip(frame(2, 2)[:-1])
    step = made.decode(data, Context(in_sync=False))
    assert told(step) == [{"volts": 0xC0DB, "amps": 1}, "frame of a wrong length"]


@settings(max_examples=150)
@given(
    st.lists(st.one_of(st.binary(max_size=12), st.just(frame(1, 2))), max_size=8),
    st.sampled_from(["plain", "slip", "cobs", "packet"]),
    st.booleans(),
)
def test_no_bytes_can_crash_or_stall_the_frame_decoder(pieces, framing, in_sync):
    data = b"".join(pieces)
    made = build(FRAME, framing=framing)
    step = made.decode(data, Context(in_sync=in_sync))
    assert 0 <= step.used <= len(data)
    if framing == "plain":
        assert len(data) - step.used < made.length
    for item in step.items:
        assert isinstance(item, Message | Refused)


@given(st.binary(max_size=40))
def test_what_is_packed_in_slip_comes_out_again(data):
    packed = slip(data)
    assert (packed[:1], packed[-1:]) == (b"\xc0", b"\xc0")
    assert b"\xc0" not in packed[1:-1]
    assert unslip(packed[1:-1]) == data


@given(st.binary(max_size=253))
def test_what_is_packed_in_cobs_comes_out_again(data):
    packed = cobs(data)
    assert packed.index(b"\0") == len(packed) - 1
    assert uncobs(packed[:-1]) == data


PACKED = {"slip": slip, "cobs": cobs, "packet": bytes}


@given(st.integers(0, 65535), st.integers(-32768, 32767), st.sampled_from(sorted(PACKED)))
def test_what_is_framed_comes_out_again(volts, amps, framing):
    data = PACKED[framing](frame(volts, amps))
    step = build(FRAME, framing=framing).decode(data, Context(in_sync=True))
    assert told(step) == [{"volts": volts, "amps": amps}]


@given(st.integers(0, 65535), st.integers(0, 2**32 - 1))
def test_registers_that_are_answered_come_out_again(volts, wide):
    made, context = asked(REGISTERS)
    body = struct.pack(">BBBH6xI", 1, 3, 12, volts, wide)
    answer = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    assert told(made.decode(answer, context)) == [{"volts": volts, "wide": wide}]


@given(st.binary(max_size=40), st.integers(0, 65535), st.integers(-32768, 32767))
def test_a_frame_is_found_behind_any_noise(noise, volts, amps):
    data = noise.replace(b"\xaa", b"\x00") + frame(volts, amps)
    assert told(build(FRAME).decode(data, Context()))[-1] == {"volts": volts, "amps": amps}


@pytest.mark.parametrize("byte", [b"\xaa", b"\x00", b"\xdb", b"\x01"])
@pytest.mark.parametrize("framing", ["plain", "slip", "cobs", "packet"])
def test_the_longest_frames_in_a_full_chunk_stall_nothing(framing, byte):
    start = "" if byte == b"\x00" else byte.hex()
    layout = {"volts": {"at": 2, "type": "u16"}}
    made = build(FRAME, framing=framing, length=1024, start=start, layout=layout)
    began_s = time.process_time()
    made.decode(byte * MOST_AT_ONCE, Context())
    assert time.process_time() - began_s < 5.0, "0.3 s at most where it was written"


# --- Modbus --------------------------------------------------------------------------------------


def test_requests_by_published_bytes():
    # Guide V1.02 (from memory), pymodbus, minimalmodbus and libmodbus alike:
    # 01 03 00 00 00 08, checksum sent as 44 0C.
    assert request(1, Block(3, 0, 8, ())).hex() == "010300000008440c"
    # Check of the checksum itself: 02 07 gives 41 12 (the guide's example).
    assert crc("CRC-16/MODBUS", b"\x02\x07").to_bytes(2, "little").hex() == "4112"


@pytest.mark.parametrize("function", [1, 2, 5, 6, 15, 16, 23, 0x80])
def test_no_other_function_can_be_asked(function):
    with pytest.raises(ValueError, match="does not only read"):
        request(1, Block(function, 0, 1, ()))
    with pytest.raises(ConfigError, match="nothing is ever written"):
        build(REGISTERS, registers={"x": {"at": 0, "function": function}})


REPLY = bytes.fromhex("010310054601a400030001e24041580000ffeccdfc")


def asked(table):
    made = build(table)
    return made, Context(asked=made.requests[0])


def test_an_answer_by_published_bytes():
    # Reply of eight registers accepted by libmodbus as well: 0x0546, ..., u32 0x0001E240 = 123456.
    registers = {
        "volts": {"at": 0, "function": 3},
        "count": {"at": 3, "function": 3, "type": "u32"},
        "real": {"at": 5, "function": 3, "type": "f32"},
        "last": {"at": 7, "function": 3, "type": "s16"},
    }
    made, context = asked(REGISTERS | {"registers": registers})
    assert made.requests[0].payload.hex() == "010300000008440c", "one request for all of them"
    values = told(made.decode(REPLY, context))
    assert values == [{"volts": 0x0546, "count": 123456, "real": 13.5, "last": -20}]


@pytest.mark.parametrize(
    ("order", "data"),
    [("ABCD", "47f12000"), ("CDAB", "200047f1"), ("BADC", "f1470020"), ("DCBA", "0020f147")],
)
def test_the_orders_of_wide_numbers(order, data):
    # libmodbus, documentation of modbus_get_float_abcd and its kin: 123456.0 is 47F1 2000.
    table = {"kind": "modbus", "registers": {"x": {"at": 0, "type": "f32", "order": order}}}
    made, context = asked(table)
    body = bytes.fromhex("010404" + data)
    answer = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    assert told(made.decode(answer, context)) == [{"x": 123456.0}]


def test_exceptions_noise_and_wrong_checksums():
    made, context = asked(REGISTERS)
    body = b"\x01\x83\x02"
    refusal = body + bytes.fromhex("c0f1")
    step = made.decode(b"\xff\x00" + refusal, context)
    assert told(step) == ["the device answered with an exception"]
    assert step.items[0].detail == "illegal address, to function 3, registers 0 to 5"
    assert step.items[0].answer
    answer = bytearray(b"\x01\x03\x0c" + bytes(12))
    answer += crc("CRC-16/MODBUS", bytes(answer)).to_bytes(2, "little")
    assert told(made.decode(b"\x00\x01" + bytes(answer), context))[0]["volts"] == 0
    answer[4] ^= 1
    assert told(made.decode(bytes(answer), context)) == ["wrong CRC"]
    assert made.decode(bytes(answer[:6]), context).used == 0, "half an answer waits"
    assert told(made.decode(b"\x01\x02", Context())) == ["bytes that nobody asked for"]


@pytest.mark.parametrize(
    ("changes", "counts"),
    [({}, [6]), ({"largest_gap": 0}, [1, 2]), ({"largest_gap": 2}, [1, 2]),
     ({"largest_gap": 3}, [6]), ({"most_registers": 5}, [1, 2])],
)  # fmt: skip
def test_gap_and_size_of_a_block(changes, counts):
    made = build(REGISTERS, **changes)
    assert [int.from_bytes(r.payload[4:6], "big") for r in made.requests] == counts


def test_an_answer_of_another_length_is_passed_over_on_the_way_to_the_right_one():
    made, context = asked(REGISTERS)
    body = b"\x01\x03\x02\x05\x46"
    other = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    body = struct.pack(">BBBH6xI", 1, 3, 12, 1320, 7)
    answer = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    step = made.decode(other + answer, context)
    assert told(step) == ["answer to another question", {"volts": 1320, "wide": 7}]


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        # Test vectors that are handed on with Fletcher's checksum, from memory.
        ("Fletcher-16", b"abcde", 0xC8F0),
        ("Fletcher-16", b"abcdef", 0x2057),
        ("Fletcher-16", b"abcdefgh", 0x0627),
        ("Fletcher-32", b"abcde", 0xF04FC729),
        ("Fletcher-32", b"abcdef", 0x56502D2A),
        ("Fletcher-32", b"abcdefgh", 0xEBE19591),
        # The two sums of RFC 1950 by hand: 1 + 97 + 98 + 99 = 0x127; 98 + 196 + 295 = 0x24D.
        ("Adler-32", b"abc", 0x024D0127),
    ],
)
def test_sums_of_two_parts(name, text, value):
    assert checksum(name, text) == value


@settings(max_examples=150)
@given(st.binary(max_size=60))
def test_no_bytes_can_crash_the_modbus_decoder(data):
    made, context = asked(REGISTERS)
    step = made.decode(data, context)
    assert 0 <= step.used <= len(data)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (FRAME | {"start": "A"}, "pairs of hexadecimal digits"),
        (FRAME | {"start": "", "checksum": "none"}, "start marker or a checksum"),
        (FRAME | {"checksum_from": 7}, "behind the last byte"),
        (FRAME | {"layout": {}}, "at least one name"),
        (FRAME | {"length": 2}, "length: got 2; start, checksum and at least one byte need more"),
        (FRAME | {"layout": {"x": {"at": 0, "type": ["u8"]}}}, "accepted: u8"),
        (REGISTERS | {"registers": {"x": {"at": 65535, "type": "u32"}}}, "for u32: up to 65534"),
        (REGISTERS | {"registers": {"x": {"at": 0, "type": ["u16"]}}}, "accepted: u16"),
        (REGISTERS | {"registers": {"x": {"at": 0, "function": [4]}}}, "accepted: 3 (holding)"),
        (FRAME | {"layout": {"x": 3}}, "takes a table"),
        (FRAME | {"layout": {"x": {"at": 0, "type": "u24"}}}, "accepted: u8"),
        (FRAME | {"layout": {"x": {"at": 6, "type": "u16"}}}, "from 0 to 4"),
        (REGISTERS | {"registers": {}}, "at least one name"),
        (REGISTERS | {"registers": {"x": 1}}, "takes a table"),
        (REGISTERS | {"registers": {"x": {"at": -1}}}, "from 0 to 65535"),
        (REGISTERS | {"registers": {"x": {"at": 0, "type": "u64"}}}, "accepted: u16"),
        (REGISTERS | {"registers": {"x": {"at": 0, "order": "ACBD"}}}, "accepted: ABCD"),
        (REGISTERS | {"registers": {"x": {"at": 0, "tpye": "u16"}}}, "did you mean type?"),
    ],
)
def test_tables_that_cannot_work_say_why(table, says):
    with pytest.raises(ConfigError) as caught:
        build_decoder(table, PLACE)
    assert says in str(caught.value)


# --- the devices through the daemon --------------------------------------------------------------

TALKS = """\
import os, struct, sys, time
from logger.sources.decoders.checksums import crc
fd = int(sys.argv[1])
while True:
    body = b"\\xaa\\x55" + struct.pack("<HhI", 13200, 800, 6025)
    os.write(fd, body + crc("CRC-16/MODBUS", body).to_bytes(2, "little"))
    time.sleep(0.1)
"""
TELLS = """\
import os, sys, time
fd = int(sys.argv[1])
while True:
    os.write(fd, b"U=13.20 I=8.00 MODE=RUN RT=36150 T=31.5\\r\\n")
    time.sleep(0.1)
"""
ANSWERS = """\
import os, sys
fd = int(sys.argv[1])
waiting = b""
while True:
    waiting += os.read(fd, 100)
    while b"\\r\\n" in waiting:
        line, _, waiting = waiting.partition(b"\\r\\n")
        known = {b"MEAS?": b"13.20,8.00,2", b"HOURS?": b"602.5"}
        os.write(fd, known.get(line, b"?") + b"\\r\\n")
"""
WORDS = """\
import os, sys
fd = int(sys.argv[1])
os.write(fd, b"** GROUPE 2.1 **\\r\\nPR\\xcaT 13,0\\r\\n")
known = {
    b"MES": b"Tens. 13,20V Cour. 8,00A en marche",
    b"CPT": b"Compteur 36150 min / Temp. 88,7 F",
}
waiting = b""
while True:
    data = os.read(fd, 100)
    os.write(fd, data)
    waiting += data
    while b"\\r" in waiting:
        line, _, waiting = waiting.partition(b"\\r")
        os.write(fd, b"\\n" + known.get(line, b"?") + b"\\r\\n")
"""
#: What stands at the far end of each kind of line.
FAR_ENDS = {
    "text-lines": TELLS, "binary-frame": TALKS, "polled-text": ANSWERS, "polled-words": WORDS,
}  # fmt: skip
# A server written by others: pymodbus, on a terminal of its own.
SERVES = """\
import asyncio, sys
from pymodbus.server import StartAsyncSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice
values = [1320, 800, 2169000 >> 16, 2169000 & 0xFFFF, 2, 315, 0]
device = SimDevice(id=1, simdata=[SimData(address=0, values=values, datatype=DataType.REGISTERS)])
asyncio.run(StartAsyncSerialServer(device, port=sys.argv[1], baudrate=19200))
"""


class Device:
    """A device on a line: a process of its own; the wire between is listened to."""

    def __init__(self, kind, folder, env):
        self.kind, self.env = kind, env
        self.heard = b""
        self.line = PtyLine(folder / "charger")
        self.server = PtyLine(folder / "server")
        end = os.open(self.server.name, os.O_RDWR | os.O_NOCTTY)
        if kind in FAR_ENDS:
            self.spawn(FAR_ENDS[kind], str(end), fds=[end])
        else:
            self.spawn(SERVES, str(self.server.name))
            time.sleep(1.5)
        os.close(end)
        self.stop = threading.Event()
        self.relay = threading.Thread(target=self.pump, daemon=True)
        self.relay.start()

    def spawn(self, code, *arguments, fds=()):
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *arguments], pass_fds=fds, env=self.env,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def pump(self):
        """Carry bytes between the program's line and the device's, and remember the program's."""
        while not self.stop.is_set():
            masters = [self.line.master, self.server.master]
            try:
                ready = select.select(masters, [], [], 0.05)[0]
                for fd in ready:
                    data = os.read(fd, 4096)
                    if fd == self.line.master:
                        self.heard += data
                    os.write(masters[1] if fd == masters[0] else masters[0], data)
            except (OSError, ValueError):
                time.sleep(0.02)  # nobody at the other end just now

    def pull_cable(self):
        self.line.unplug()

    def put_back(self):
        self.line.plug()

    def end(self):
        self.stop.set()
        self.process.kill()
        self.process.wait()
        self.relay.join()
        self.line.unplug()
        self.server.unplug()


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
    text = text.replace("every_s = 1.0", "every_s = 0.2")
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
            time.sleep(0.4)
            gone = live(tmp_path).readings
            device.put_back()
            back_s = time.time()
            seen = live(tmp_path, max(seen, gone) + 5).readings
            stored = stored_since(tmp_path, back_s + 0.5)
            assert stored == pytest.approx((13.2, 8.0, 602.5), rel=0.01)
        assert resident_kib(daemon) < 30 * 1024
        daemon.send_signal(signal.SIGTERM)
        daemon.communicate(timeout=60)
        assert daemon.returncode == 0
        assert load_history(tmp_path / "ebbwatt.db").readings.sum() >= seen
        only_reads(device.heard, tmp_path / "device.toml")
    finally:
        device.end()


def probed_until_the_cable_is_out(device, folder, env):
    command = [sys.executable, "-m", "analysis", "probe"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    probe = subprocess.Popen(command, cwd=folder, env=env, text=True, **pipes)
    probe.stdout.readline()
    device.pull_cable()
    shown, told = probe.communicate(timeout=60)
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
