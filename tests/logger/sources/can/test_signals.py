"""Values in CAN frames: against cantools, by hand, and whatever a compiled form may hold."""

import json
import math
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.probe.dbc import compile_dbc
from logger.errors import ConfigError, UsageError
from logger.settings import Document
from logger.sources.can.signals import CanDecoder, build_can, fingerprint, read_compiled
from logger.sources.decoding import Context, Message, Place, Refused
from tests.conftest import ROOT, examples

DBC = ROOT / "fixtures/devices/can-frames.dbc"
HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A\n'


def compiled(text):
    return read_compiled(compile_dbc(Path("x.dbc"), text.encode("cp1252"))[0].encode())[1]


def decoded(signals, identifier, data, words=()):
    made = CanDecoder(signals)
    made.want(frozenset(signals), frozenset(words))
    (item,) = made.decode(identifier.to_bytes(4, "big") + data, Context()).items
    return dict(item.values)


@st.composite
def messages(draw):
    """Return a DBC of one message with one signal anywhere in its 8 bytes."""
    length = draw(st.integers(1, 32))
    little = draw(st.booleans())
    if little:
        start = draw(st.integers(0, 64 - length))
    else:
        first = draw(st.integers(0, 64 - length))  # from the left
        start = 8 * (first // 8) + 7 - first % 8
    sign = draw(st.sampled_from("+-"))
    scale = draw(st.sampled_from(["1", "0.01", "0.5", "-2"]))
    offset = draw(st.sampled_from(["0", "-40", "12.5"]))
    line = f' SG_ X : {start}|{length}@{int(little)}{sign} ({scale},{offset}) [0|0] "" A\n'
    return f"{HEAD}BO_ 291 M: 8 A\n{line}"


@settings(max_examples=examples(300))
@given(messages(), st.binary(min_size=8, max_size=8))
def test_a_signal_anywhere_is_what_cantools_makes_of_it(text, data):
    import cantools  # takes long to load, and every process of a run reads this file

    expected = cantools.database.load_string(text, "dbc").decode_message(0x123, data)["X"]
    assert decoded(compiled(text), 0x123, data)["X"] == pytest.approx(expected)


def test_by_hand():
    # 0x0528 = 1320 little-endian: 13.20 V; 0x0320 = 800: 8.00 A; mode 2. Page 1 of 0x123 holds
    # 0x002118A8 = 2169000 s, big-endian from byte 1 on.
    signals = compiled(DBC.read_text())
    output = bytes.fromhex("2805200302000000")
    assert decoded(signals, 0x98FF5111, output, {"Mode"}) == {
        "OutVolts": 13.2, "OutAmps": 8.0, "Mode": "Running",
    }  # fmt: skip
    page1 = bytes.fromhex("01002118a8000000")
    assert decoded(signals, 0x123, page1) == {"Page": 1, "RunSeconds": 2169000}
    page2 = bytes.fromhex("02fff60000000000")
    assert decoded(signals, 0x123, page2) == {"Page": 2, "Warmth": -1.0}
    assert decoded(signals, 0x123, b"\x07" + bytes(7)) == {"Page": 7}
    assert decoded(signals, 0x98FF5112, output) == {}, "another identifier"


def test_what_the_device_does_not_know():
    signals = compiled(DBC.read_text())
    none = bytes.fromhex("ffff00800f000000")
    # 655.35 V and -327.68 A lie outside the bounds of the DBC; 15 is named.
    assert decoded(signals, 0x98FF5111, none, {"Mode"}) == {
        "OutVolts": None, "OutAmps": None, "Mode": "NotKnown",
    }  # fmt: skip
    assert decoded(signals, 0x98FF5111, none)["Mode"] is None, "a name is no number"


def test_a_frame_that_ends_early_is_refused_and_not_half_taken():
    made = CanDecoder(compiled(DBC.read_text()))
    (item,) = made.decode(bytes.fromhex("98ff51112805"), Context()).items
    assert item.reason == "a CAN frame shorter than its DBC says"
    made.want(frozenset({"OutVolts"}))
    (item,) = made.decode(bytes.fromhex("98ff51112805"), Context()).items
    assert item.values == {"OutVolts": 13.2}, "nothing that is wanted is missing"


def test_floats():
    text = HEAD + 'BO_ 5 M: 8 A\n SG_ F : 0|32@1- (1,0) [0|0] "" A\nSIG_VALTYPE_ 5 F : 1;\n'
    signals = compiled(text)
    # IEEE 754: 13.5 is 0x41580000.
    assert decoded(signals, 5, bytes.fromhex("0000584100000000")) == {"F": 13.5}
    assert decoded(signals, 5, bytes.fromhex("0000c07f00000000")) == {"F": None}, "not a number"


def test_names_that_stand_twice_are_told_with_their_message():
    line = ' SG_ X : 0|8@1+ (1,0) [0|0] "" A\n'
    text = f"{HEAD}BO_ 5 One: 8 A\n{line}\nBO_ 6 Two: 8 A\n{line}"
    assert sorted(compiled(text)) == ["One.X", "Two.X"]
    assert decoded(compiled(text), 6, b"\x09" + bytes(7)) == {"Two.X": 9}


def test_what_cannot_be_compiled_is_left_out_or_refused():
    long = f'{HEAD}BO_ 5 Long: 16 A\n SG_ X : 0|8@1+ (1,0) [0|0] "" A\n'
    both = f'{long}\nBO_ 6 Short: 8 A\n SG_ Y : 0|8@1+ (1,0) [0|0] "" A\n'
    _, number, left_out = compile_dbc(Path("x.dbc"), both.encode())
    assert (number, left_out) == (1, ["Long.X"])
    with pytest.raises(UsageError, match=r"x\.dbc: holds no signal of a frame of at most 8 bytes"):
        compile_dbc(Path("x.dbc"), long.encode())
    with pytest.raises(UsageError, match=r"x\.dbc: no DBC that can be compiled"):
        compile_dbc(Path("x.dbc"), b"\x00 no DBC \xff")


def test_the_compiled_form_in_the_examples_is_that_of_its_dbc():
    content = DBC.read_bytes()
    text = DBC.with_name("can-frames.dbc.json").read_text()
    assert text == compile_dbc(DBC, content)[0]
    assert read_compiled(text.encode())[0] == fingerprint(content)


PLACE = Place(Document(Path("device.toml"), {}))


@settings(max_examples=examples(150))
@given(st.binary(max_size=20))
def test_no_bytes_can_crash_the_decoder(data):
    made = CanDecoder(compiled(DBC.read_text()))
    step = made.decode(data, Context())
    assert step.used == len(data)
    assert len(step.items) <= 1
    if 4 <= len(data) <= 12:
        assert isinstance(step.items[0], Message | Refused)
        made.page(data)


FORM = json.loads(DBC.with_name("can-frames.dbc.json").read_text())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda form: form.pop("fingerprint"),
        lambda form: form.update(form="ebbwatt/can/2"),
        lambda form: form.update(signals=[1]),
        lambda form: form["signals"]["OutVolts"].update(length=65),
        lambda form: form["signals"]["OutVolts"].update(start=64),
        lambda form: form["signals"]["OutVolts"].update(start=True),
        lambda form: form["signals"]["OutVolts"].update(identifier=1 << 33),
        lambda form: form["signals"]["OutVolts"].update(scale=float("inf")),
        lambda form: form["signals"]["OutVolts"].update(is_float=True, length=24),
        lambda form: form["signals"]["OutVolts"].update(extra=1),
        lambda form: form["signals"]["RunSeconds"].update(pages="Nobody"),
        lambda form: form["signals"]["Mode"].update(choices={"x": "y"}),
        lambda form: form["signals"].update(Mode=5),
        lambda form: form["signals"]["Mode"].update(choices=[1]),
        lambda form: form["signals"]["Mode"].update(page=[float("inf")]),
        lambda form: form["signals"]["OutVolts"].update(scale=10**400),
        lambda form: form["signals"]["OutVolts"].update(scale=1e-320),
        lambda form: form["signals"]["OutVolts"].update(low=10**400),
        lambda form: form["signals"]["OutVolts"].pop("low"),
        lambda form: form["signals"]["OutVolts"].update(start=60),
    ],
)
def test_a_compiled_form_that_cannot_be_is_told(tmp_path, spoil):
    form = json.loads(json.dumps(FORM))
    spoil(form)
    (tmp_path / "a.dbc.json").write_text(json.dumps(form))
    place = Place(Document(tmp_path / "device.toml", {}))
    with pytest.raises(
        ConfigError, match=r"a\.dbc\.json is no compiled DBC: .*; run 'ebbwatt check'"
    ):
        build_can({"kind": "can", "dbc": "a.dbc"}, place)


def test_what_is_wrong_with_a_compiled_form_is_said():
    for text, told in (
        (b"[" * 100_000, "it is no JSON"),
        (b"\xff", "it is no JSON"),
        (b"[1]", "it does not say that it is ebbwatt/can/1"),
        (json.dumps({**FORM, "signals": {"A\x1b": 1}}).encode(), r"signal A\\x1b is no table"),
        (json.dumps({**FORM, "signals": {"A": {}}}).encode(), "signal A: identifier cannot be"),
    ):
        with pytest.raises(ValueError, match=told):
            read_compiled(text)


scalars = st.one_of(
    st.none(), st.booleans(), st.integers(-3, 70), st.integers(), st.floats(), st.text(max_size=3),
    st.sampled_from([10**400, 1e-320, 1e308, -1e99, 2**64, "Page", "1", "-7"]),
)  # fmt: skip
wild = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=6,
)
#: For each key of a signal, values near the edge of what it may hold, on both sides.
EDGES = {
    "identifier": [0, 0x7FF, 0x800, 0x80000000, 0x9FFFFFFF, 1 << 32],
    "start": [0, 7, 15, 32, 63, 64],
    "length": [1, 8, 16, 32, 64, 65],
    "little": [True, False],
    "signed": [True, False],
    "is_float": [True, False],
    "scale": [0, -1, 0.01, 1e-100, -1e100, 1e308, 1e-320],
    "offset": [0.5, -1e100, 1e100, 1e308],
    "low": [None, 1e308, -(2**999), 2**1000],
    "high": [None, -1e308, 2**999, 2**1000],
    "choices": [{}, {"0": "x"}, {"-7": "x"}, {"9" * 20: "x"}, {"9" * 21: "x"}],
    "pages": ["", "Page", "Mode", "Nobody"],
    "page": [[], [0], [1, 2], [2**64], [2**64 + 1]],
    "more": [0],
}
changes = st.lists(
    st.tuples(
        st.sampled_from(sorted(FORM["signals"])),
        st.sampled_from(sorted(EDGES)).flatmap(
            lambda key: st.tuples(st.just(key), st.sampled_from(EDGES[key]) | wild)
        ),
    ),
    max_size=3,
)
data_of_frames = st.lists(
    st.binary(min_size=8, max_size=8) | st.binary(max_size=8), min_size=1, max_size=4
)


#: Nothing set, everything set, and one frame of each page.
FRAMES = [bytes(8), b"\xff" * 8, b"\1" * 8, b"\2" * 8]


def refused_or_works(spoilt, frames):
    """Change a compiled form and use it; tell whether it was accepted."""
    form = json.loads(json.dumps(FORM))
    for name, (key, value) in spoilt:
        form["signals"][name][key] = value
    try:
        _, signals = read_compiled(json.dumps(form).encode())
    except ValueError:
        return False
    work(signals, frames)
    return True


@pytest.mark.parametrize("key", EDGES)
def test_a_value_at_the_edge_of_what_a_key_holds_is_refused_or_works(key):
    # With its bounds, and without: what lies outside them is not known, however large it is.
    accepted = [
        refused_or_works([*([(name, ("low", None))] * unbounded), (name, (key, value))], FRAMES)
        for unbounded in (0, 1)
        for name in FORM["signals"]
        for value in EDGES[key]
    ]
    assert any(accepted) == (key != "more")


@settings(max_examples=examples(500), deadline=None)
@given(changes, data_of_frames)
def test_a_wild_compiled_form_is_refused_or_works(spoilt, frames):
    refused_or_works(spoilt, frames)


@settings(max_examples=examples(200), deadline=None)
@given(wild)
def test_what_is_no_form_at_all_is_refused(whole):
    with pytest.raises(ValueError, match=r"^it (is no JSON|does not say)"):
        read_compiled(json.dumps(whole).encode())


def work(signals, frames):
    """Decode these data under every identifier."""
    made = CanDecoder(signals)
    made.want(frozenset(signals), frozenset(["Mode"]))
    for identifier in made.identifiers:
        for data in frames:
            frame = identifier.to_bytes(4, "big") + data
            made.page(frame)
            (item,) = made.decode(frame, Context()).items
            assert isinstance(item, Message | Refused)
            if isinstance(item, Message):
                figures = [v for v in item.values.values() if not isinstance(v, str | None)]
                assert all(map(math.isfinite, figures)), item
                assert all(abs(figure) < 1e200 for figure in figures), item


def test_where_nothing_is_compiled_or_the_dbc_has_changed(tmp_path):
    place = Place(Document(tmp_path / "device.toml", {}))
    table = {"kind": "can", "dbc": "a.dbc"}
    (tmp_path / "a.dbc").write_bytes(DBC.read_bytes())
    with pytest.raises(ConfigError, match=r"a\.dbc is not compiled yet: run 'ebbwatt check'"):
        build_can(table, place)
    (tmp_path / "a.dbc.json").write_text(json.dumps(FORM))
    assert "OutVolts" in build_can(table, place).names()
    (tmp_path / "a.dbc").write_bytes(DBC.read_bytes() + b"\n")
    with pytest.raises(ConfigError, match=re.escape("a.dbc has changed since")):
        build_can(table, place)
    (tmp_path / "a.dbc").unlink()
    assert build_can(table, place).names(), "a board may do without the DBC"
