"""What `probe` and `check --against` say of binary frames whose description is wrong."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.probe.guesses import guess_checksum, guess_framing
from logger.sources.decoders.checksums import CRC_MODELS, SUMS, checksum, checksum_size
from tests.support.rigs.devices.framing import cobs, slip

CONFIG = """\
[charger]
rated_w = 110
[source]
kind = "serial"
port = "charger"
[source.fields]
voltage_v = { from = "volts", unit = "mV" }
current_a = { from = "amps", scale = 0.01 }
[source.decoder]
kind = "frame"
framing = "slip"
length = 8
checksum = "CRC-16/KERMIT"
checksum_order = "big"
byte_order = "big"
[source.decoder.layout]
amps = { at = 1, type = "s16" }
volts = { at = 3, type = "u16" }
"""


def frames(name="CRC-16/KERMIT", order="big", first=0, count=8):
    made = []
    for n in range(count):
        body = bytes([0x10]) + (420 - n).to_bytes(2, "big") + (13200 + 7 * n).to_bytes(2, "big")
        body += bytes([2])
        made.append(body + checksum(name, body[first:]).to_bytes(checksum_size(name), order))
    return made


@pytest.mark.parametrize(
    ("data", "guess"),
    [
        (b"BOOT\r\n" + b"".join(map(slip, frames())) + b"\xc0\x10", 'framing = "slip", length = 8'),
        (b"\x02\0" + b"".join(map(cobs, frames())), 'framing = "cobs", length = 8'),
        (b"\x07" + b"".join(b"\xaa\x55" + f for f in frames()), 'start = "AA55", length = 10'),
        (b"".join(map(slip, frames(count=2))), None),
        (bytes(range(256)), None),
        (b"", None),
    ],
)
def test_framing_is_guessed_from_bytes(data, guess):
    assert guess_framing(data) == guess


def test_noise_is_no_frames():
    noise = random.Random(4711)
    assert [guess_framing(noise.randbytes(2048)) for _ in range(20)] == [None] * 20


@given(st.binary(max_size=300))
def test_no_bytes_crash_the_guess(data):
    guess_framing(data)
    guess_checksum([data, data[:3], data[1:]])


@pytest.mark.parametrize("name", [*SUMS, *CRC_MODELS])
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("first", [0, 2])
def test_every_checksum_is_found_again(name, order, first):
    guess = guess_checksum(frames(name, order, first))
    assert f'checksum = "{name}"' in guess
    assert (f'checksum_order = "{order}"' in guess) == (checksum_size(name) > 1)
    assert ("checksum_from = 2" in guess) == (first == 2)


def test_too_few_frames_or_a_checksum_of_another_kind_give_no_guess():
    assert guess_checksum(frames()[:2]) is None
    assert guess_checksum([frames()[0]] * 9) is None
    assert guess_checksum([f[:-1] + bytes([f[-1] ^ 0x5A]) for f in frames()]) is None


@pytest.mark.parametrize(
    ("right", "wrong", "says"),
    [
        ("KERMIT", "MODBUS", 'frames have checksum = "CRC-16/KERMIT", checksum_order = "big"'),
        (
            'checksum_order = "big"',
            "",
            'frames have checksum = "CRC-16/KERMIT", checksum_order = "big"',
        ),
        ("length = 8", "length = 9", 'no frame was found: try framing = "slip", length = 8'),
        ('"slip"', '"cobs"', 'no frame was found: try framing = "slip", length = 8'),
        (
            'byte_order = "big"',
            "",
            "values that cannot be true: check unit and scale in [fields], by",
        ),
        ('byte_order = "big"', "", "8 x current_a below -1 A (-235.51), which the log leaves out"),
        (
            'kind = "frame"\nframing = "slip"\nlength = 8',
            'kind = "keyvalue"',
            "hexadecimal: c0 10 01",
        ),
    ],
)
def test_a_wrong_frame_is_put_right_by_what_check_says(ebbwatt, tmp_path, right, wrong, says):
    (tmp_path / "talk.bin").write_bytes(b"".join(map(slip, frames())))
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    done = ebbwatt("check", "--against", "talk.bin", cwd=tmp_path)
    assert "8 readings, 0 refused" in done.stdout
    assert "hint" not in done.stdout
    text = CONFIG.replace(right, wrong)
    if "keyvalue" in wrong:
        text = text[: text.index("checksum")].replace("\nlength", "\n#")
    (tmp_path / "ebbwatt.toml").write_text(text)
    done = ebbwatt(
        "check", "--against", "talk.bin", cwd=tmp_path, status=0 if "byte_order" in right else 1
    )
    assert says in done.stdout
