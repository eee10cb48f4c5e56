"""Models 714 and 701 of SunSpec: points, scale factors, what is missing, models that move."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.sources.decoders.sunspec import INVERTER_STATES, STATES, Point, point, state_word
from logger.sources.decoding import Context, Message
from tests.support.rigs.devices.late_device import sealed
from tests.support.rigs.devices.modbus_tcp import sunspec
from tests.support.rigs.devices.sources import described

DEVICE = """
[decoder]
kind = "sunspec"
unit = 1
model_714 = 40225
model_701 = 40070
[fields]
voltage_v = "DCV"
current_a = "DCA"
state = "InvSt"
"""


def answers(made, words, base=40000):
    """Return what the decoder makes of a device with these registers, one item a question."""
    items = []
    for asked in made.requests:
        unit, function, at, count = struct.unpack(">BBHH", asked.payload[:6])
        found = words[at - base : at - base + count]
        found += [0] * (count - len(found))
        frame = sealed(bytes((unit, function, 2 * count)) + struct.pack(f">{count}H", *found))
        (item,) = made.decode(frame, Context(asked=asked)).items
        items.append(dict(item.values) if isinstance(item, Message) else item.reason)
    return items


def test_the_points_stand_where_the_published_models_have_them():
    # sunspec/models, json/model_714.json: counting registers from ID on, DCA_SF is the 15th, and of
    # each port (25 registers from the 20th on) DCA the 10th, DCV the 11th, DCW the 12th, Tmp the
    # 21st. json/model_701.json: St is the 3rd, InvSt the 4th.
    sizes = {"uint16": 1, "int16": 1, "enum16": 1, "sunssf": 1, "bitfield32": 2, "uint64": 4}
    head = ["uint16", "uint16", "bitfield32", "uint16", "int16", "int16", "uint64", "uint64"]
    assert sum(sizes[kind] for kind in head) == 15
    port = ["enum16", "uint16", *["uint16"] * 8]  # PrtTyp, ID, IDStr of 8 registers
    assert sum(sizes[kind] for kind in port) == 10
    port += ["int16", "uint16", "int16", "uint64", "uint64"]
    assert sum(sizes[kind] for kind in port) == 21
    port += ["int16", "enum16", "bitfield32"]
    assert sum(sizes[kind] for kind in port) == 25
    made = described(DEVICE).decoder
    assert [(r.payload[2:4].hex(), r.payload[5]) for r in made.requests] == [
        (f"{40225:04x}", 45), (f"{40070:04x}", 5),
    ]  # fmt: skip
    dc, state = answers(made, sunspec()[40000])
    assert dc == {"DCA": 8.0, "DCV": 13.2, "DCW": 105.6, "Tmp": None}
    assert state == {"InvSt": "running", "St": "running"}


def test_states_by_the_numbers_of_the_standard():
    # sunspec/models, json/model_701.json: OFF 0, SLEEPING 1, STARTING 2, RUNNING 3 (MPPT in
    # drafts), THROTTLED 4, SHUTTING_DOWN 5, FAULT 6, STANDBY 7.
    words = ["off", "sleeping", "starting", "running", "throttled", "shutting_down", "fault"]
    words.append("standby")
    assert [state_word(number, INVERTER_STATES) for number in range(8)] == words


def test_states_that_are_none_of_the_standard():
    assert state_word(0xFFFF, INVERTER_STATES) is None, "not implemented"
    assert state_word(8, INVERTER_STATES) == "8", "told as a word that nobody knows"
    assert [state_word(k, STATES) for k in (0, 1, 0xFFFF)] == ["off", "running", None]


VOLTS = Point(11, 16, signed=False)
AMPS = Point(10, 15, signed=True)


def port(raw, scale, what):
    words = [0] * 45
    words[20 + what.at], words[what.scale_at] = raw & 0xFFFF, scale & 0xFFFF
    return point(tuple(words), 1, what)


@pytest.mark.parametrize(
    ("raw", "scale", "what", "value"),
    [
        (1352, -2, VOLTS, 13.52), (13, 0, VOLTS, 13.0), (2, 1, VOLTS, 20.0),
        (-420, -2, AMPS, -4.2), (0x7FFF, -3, AMPS, 32.767),
        # Not implemented: int16 0x8000, uint16 0xFFFF, sunssf 0x8000.
        (0x8000, -2, AMPS, None), (0xFFFF, -2, VOLTS, None), (1352, 0x8000, VOLTS, None),
        (0x8000, 0, VOLTS, 32768.0), (-1, 0, AMPS, -1.0),
        (1352, 11, VOLTS, None),
    ],
)  # fmt: skip
def test_scale_factors_and_what_is_not_implemented(raw, scale, what, value):
    assert port(raw, scale, what) == value


@given(st.integers(0, 0xFFFE), st.integers(-10, 10))
def test_any_scale_factor_is_a_power_of_ten(raw, scale):
    assert port(raw, scale, VOLTS) == pytest.approx(raw * 10.0**scale)


def test_a_model_that_moved_is_refused_and_not_misread():
    made = described(DEVICE).decoder
    moved = [*sunspec()[40000][:10], 0, 0, *sunspec()[40000][10:]]
    assert answers(made, moved) == ["the model is not where it was"] * 2
    other = made.decode(b"", Context())
    assert other.items == ()


def test_a_port_that_is_not_there_is_refused():
    made = described(DEVICE.replace("unit = 1", "dc_port = 3")).decoder
    assert made.requests[0].payload[5] == 95
    assert answers(made, sunspec(ports=2)[40000])[0] == "the model has no such port"
    spare = described(DEVICE.replace("unit = 1", "dc_port = 2")).decoder
    assert answers(spare, sunspec(ports=2)[40000])[0] == dict.fromkeys(("DCA", "DCV", "DCW", "Tmp"))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("model_714 = 40225\n", "", "model_714 is missing"),
        ("40225", "65500", "the model would end behind register 65535"),
        ("model_701 = 40070", "model_701 = 40225", "not that of 714"),
        ("unit = 1", "dc_port = 5", "dc_port: got 5; accepted: a whole number from 1 to 4"),
        ("unit = 1", "function = 6", "function: got 6; accepted: a whole number from 3 to 4"),
        ('"DCV"', '"DCU"', "it gives: DCA, DCV, DCW, InvSt, St, Tmp"),
    ],
)
def test_settings_that_cannot_work_say_why(old, new, says):
    with pytest.raises(ConfigError) as caught:
        described(DEVICE.replace(old, new))
    assert says in str(caught.value)
