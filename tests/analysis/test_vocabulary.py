"""The lists of the reference: whole, and each example line is one that a description takes."""

import re

import pytest

from analysis import vocabulary
from logger.reading import OperatingState
from tests.support.rigs.devices.sources import described


def example(body):
    return body.partition("Example: ")[2]


def test_every_operating_state_is_explained():
    assert list(vocabulary.STATES) == list(OperatingState)


@pytest.mark.parametrize("body", [body for _, body in vocabulary.state_items()])
def test_the_lines_of_states_are_good(body):
    states = described(
        '[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\nstate = "M"\n[states]\n'
        + example(body)
    ).states
    assert len(states) == 1


@pytest.mark.parametrize(("channel", "body"), [*vocabulary.unit_items()])
def test_the_lines_of_units_are_good(channel, body):
    more = "" if channel == "voltage_v" else 'voltage_v = "U"\n'
    fields = described(f'[decoder]\nkind = "keyvalue"\n[fields]\n{more}{example(body)}\n').fields
    assert fields[-1].unit == re.search('unit = "(.+)"', body)[1]


@pytest.mark.parametrize(("name", "body"), [*vocabulary.type_items()])
def test_the_bytes_of_types_are_the_numbers(name, body):
    text = (
        '[decoder]\nkind = "frame"\nstart = "AA55"\nlength = 16\n[decoder.layout]\n'
        f'{example(body)}\n[fields]\nvoltage_v = "x"\n'
    )
    data = bytes.fromhex(re.match("([0-9A-F ]+?)(?: with| is)", body)[1])
    pipeline = described(text).pipeline()
    (reading,) = pipeline.feed(0.0, b"\xaa\x55" + data.ljust(14, b"\0"))
    assert reading.voltage_v == float(re.search(r" is (-?[0-9.]+[0-9])", body)[1]), name


def test_catalogue_values_stand_in_the_list():
    # Check values of the catalogue of parametrised CRC algorithms, from memory.
    listed = dict(vocabulary.checksum_items())
    assert listed["CRC-16/MODBUS"].endswith(" 4B37")
    assert listed["CRC-32/ISO-HDLC"].endswith(" CBF43926")
    # libmodbus, documentation of modbus_get_float_abcd and its kin: 123456.0 is 47F1 2000.
    assert dict(vocabulary.order_items())["CDAB"].endswith("20 00 47 F1")
