"""Hints of the transcript, and what check says of frames without a checksum."""

import argparse

from analysis.commands import check
from analysis.probe.transcript import Transcript
from logger.sources.decoding import Context
from logger.sources.pipeline import Outcome
from tests.support.rigs.devices.late_device import sealed
from tests.support.rigs.devices.said import TALKERS
from tests.support.rigs.devices.sources import described

REGISTERS = """
[decoder]
kind = "modbus"
[decoder.registers]
volts = { at = 0 }
amps = { at = 7 }
[fields]
voltage_v = { from = "volts", scale = 0.01 }
current_a = { from = "amps", scale = 0.01 }
"""
FRAME = """
[decoder]
kind = "frame"
length = 8
start = "AA55"
checksum = "{checksum}"
[decoder.layout]
millivolts = {{ at = 2, type = "u16" }}
[fields]
voltage_v = {{ from = "millivolts", unit = "mV" }}
"""


def test_registers_that_the_device_does_not_have_are_named_with_the_key_that_helps():
    description = described(REGISTERS)
    transcript = Transcript(description)
    refusal = sealed(b"\x01\x84\x02")
    transcript.bytes_came(refusal)
    asked = description.decoder.requests[0]
    (refused,) = description.decoder.decode(refusal, Context(asked=asked)).items
    transcript.note(Outcome(0.0, "", refused))
    (hint,) = (h for h in transcript.hints({}) if "largest_gap" in h)
    assert "illegal address, to function 4, registers 0 to 7" in hint
    part = asked.parts[1]
    (refused,) = description.decoder.decode(refusal, Context(asked=part)).items
    transcript.note(Outcome(0.0, "", refused))
    (hint,) = (h for h in transcript.hints({}) if "does not have" in h)
    assert "amps: function 4, register 7: correct at" in hint


def test_check_warns_of_frames_without_a_checksum(tmp_path, capsys):
    path = tmp_path / "device.toml"
    arguments = argparse.Namespace(file=path, config=None, against=None, log=False, mend=False)
    for checksum, warned in (("none", True), ("Fletcher-16", False)):
        path.write_text(FRAME.format(checksum=checksum))
        assert check.run(arguments) == 0
        assert ("a spoiled frame passes for a good one" in capsys.readouterr().out) == warned
    # The check value of CRC-16/EN-13757, from memory.
    own = FRAME.format(checksum="none").replace(
        '"none"', "{ width = 16, poly = 0x3D65, xor_out = 0xFFFF }"
    )
    path.write_text(own)
    assert check.run(arguments) == 0
    assert "of the text 123456789 it is C2B7" in capsys.readouterr().out


def test_packets_that_are_no_text_lead_to_a_packed_structure():
    transcript = Transcript(described('[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\n'))
    for n in range(9):
        transcript.bytes_came(bytes([5, 0x28 + n, 1, 0xA4, 0x81, 0xF0, 0, 2]), "fff1")
    (hint,) = (h for h in transcript.hints({}) if "packed" in h)
    assert 'kind = "frame", framing = "packet", length = 8 in [decoder]' in hint


NUMBERS = """
[poll]
send = ["V?\\r\\n", { text = "A?\\r\\n", columns = ["amps"] }]
[decoder]
kind = "csv"
columns = ["volts"]
[fields]
voltage_v = "volts"
current_a = "amps"
"""


def test_check_says_which_answers_look_alike_and_what_that_costs(tmp_path, capsys):
    path = tmp_path / "device.toml"
    arguments = argparse.Namespace(file=path, config=None, against=None, log=False, mend=False)
    path.write_text(NUMBERS)
    assert check.run(arguments) == 0
    told = capsys.readouterr().out
    assert (
        "those to V? and A? look alike: when one is lost, nothing is read for 10 s (late_s)" in told
    )
    path.write_text(NUMBERS.replace('["amps"]', '["amps", "mode"]'))
    assert check.run(arguments) == 0
    assert "look alike" not in capsys.readouterr().out


def test_the_speed_is_not_blamed_for_frames_whose_checksum_fits():
    description = described('[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\n')
    told = {}
    for name in ("binary-frame", "no checksum"):
        transcript = Transcript(description)
        for second in range(60):
            data = TALKERS["binary-frame"](second, 13.2 + second / 100, 7.0)
            transcript.bytes_came(data if name == "binary-frame" else data[:-2])
        told[name] = transcript.hints({})
    assert any("these may be binary frames" in hint for hint in told["binary-frame"])
    assert not any("speed" in hint for hint in told["binary-frame"])
    assert any("if they are none, the speed" in hint for hint in told["no checksum"])
