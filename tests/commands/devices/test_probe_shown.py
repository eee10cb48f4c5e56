"""How `ebbwatt probe` shows bytes and times, and the first description that it writes."""

import pytest

from tests.support.rigs.devices.far_ends import Device
from tests.support.rigs.devices.sources import CHARGER

pytestmark = pytest.mark.waits

#: A charger of frames that move, as a device nobody has described.
MOVES = """\
import math, os, struct, sys, time
from logger.sources.decoders.checksums import crc
fd = int(sys.argv[1])
n = 0
while True:
    n += 1
    volts, amps = 13.2 + 0.2 * math.sin(n / 9), 6.0 + math.sin(n / 7)
    body = b"\\xc3\\x3c" + struct.pack(">HH", round(volts * 100), round(amps * 100)) + b"\\x02"
    os.write(fd, body + crc("CRC-16/KERMIT", body).to_bytes(2, "big"))
    time.sleep(0.1)
"""


@pytest.fixture
def frames(tmp_path, child_env):
    device = Device("of frames", tmp_path, child_env, code=MOVES)
    (tmp_path / "ebbwatt.toml").write_text(
        CHARGER + '[source]\nkind = "serial"\nport = "charger"\n[source.line]\nbaud = 19200\n'
    )
    yield tmp_path
    device.end()


def test_a_device_nobody_described_is_written_down_and_then_judged(frames, ebbwatt):
    done = ebbwatt("probe", "--seconds", "6", "--hex", "--capture", "talk.jsonl", "--write",
                   "mine.toml", cwd=frames)  # fmt: skip
    assert "mine.toml: written; check it" in done.stdout
    assert 'volts = { at = 2, type = "u16" }, byte_order big: moves between 13' in done.stdout
    assert "C3  3C" in done.stdout
    assert "\n 0   1   2   3" in done.stdout
    judged = ebbwatt("check", "mine.toml", "--against", "talk.jsonl", cwd=frames).stdout
    assert " readings, " in judged
    assert "voltage_v: 13" in judged
    assert "current_a: " in judged
    assert "hint" not in judged
    written = (frames / "mine.toml").read_text()
    assert "baud = 19200" in written
    assert 'checksum = "CRC-16/KERMIT"' in written
    again = ebbwatt("probe", "--write", "mine.toml", cwd=frames, status=2)
    assert "mine.toml: is there already" in again.stderr
    both = ebbwatt("probe", "--hex", "--raw", cwd=frames, status=2)
    assert "not allowed with" in both.stderr


def test_what_arrives_is_shown_as_it_arrives(frames, ebbwatt):
    shown = ebbwatt("probe", "--seconds", "3", "--raw", cwd=frames).stdout
    assert " s  came   \\xc3<" in shown
    assert "refused: no" not in shown


def test_questions_and_times_are_told(tmp_path, child_env, ebbwatt):
    device = Device("polled-text", tmp_path, child_env)
    text = CHARGER + '[source]\nkind = "serial"\nport = "charger"\n'
    (tmp_path / "ebbwatt.toml").write_text(
        text + '[source.poll]\nsend = ["MEAS?\\r\\n", "HOURS?\\r\\n"]\n'
    )
    try:
        done = ebbwatt(
            "probe", "--seconds", "20", "--verbose", "--write", "mine.toml", cwd=tmp_path
        )
    finally:
        device.end()
    assert " s  asked  MEAS?\\r\\n" in done.stdout
    written = (tmp_path / "mine.toml").read_text()
    assert '{ text = "MEAS?\\r\\n", columns = ["q1c1", "q1c2", "q1c3"] }' in written
    assert 'voltage_v = "q1c1"' in written


def test_a_mistyped_name_is_answered_with_those_that_came(ebbwatt, tmp_path):
    (tmp_path / "talk.bin").write_bytes(b"VOLT=13.5 AMP=4.2 MODE=RUN\r\n" * 4)
    (tmp_path / "device.toml").write_text(
        '[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "VOLT"\n'
        'current_a = { from = "APM", optional = true }\n'
    )
    done = ebbwatt("check", "device.toml", "--against", "talk.bin", cwd=tmp_path)
    assert "hint: no message holds 'APM' (did you mean AMP?); they hold VOLT, AMP, MODE" in (
        done.stdout
    )
