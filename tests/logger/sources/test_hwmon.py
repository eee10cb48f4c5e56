"""Sensors of Linux, on files: found by name, each way in which reading can fail, and the energy."""

import asyncio
import contextlib
import math
import os
import re
import threading
import time
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import pytest

from logger.errors import ConfigError, SourceError
from logger.refusals import Refusals
from logger.sources.decoders.hwmon import build_hwmon
from logger.sources.decoding import Context, Message
from logger.sources.link.sensors import SensorLink, find
from logger.sources.link.supervision import supervise
from tests.support.boats.energy import energy_of, held, quick_truth
from tests.support.rigs.devices.sensor_tree import SensorTree
from tests.support.rigs.devices.sources import described, source_from, take

pytestmark = pytest.mark.waits

FILES = Path("/proc/self/fd")
#: From one look at the sensor to the next, s.
EVERY_S = 0.02
SOURCE = f"""\
[source]
kind = "hwmon"
root = "hwmon"
[source.hwmon]
name = "shuntmon"
every_s = {EVERY_S}
[source.fields]
voltage_v = "in1"
current_a = "curr1"
temperature_c = "temp1"
[source.timing]
first_wait_s = 0.02
longest_wait_s = 0.05
"""
DECODER = build_hwmon(
    {"kind": "hwmon"}, described('[decoder]\nkind = "hwmon"\n[fields]\nvoltage_v = "in1"\n').place
)


@pytest.fixture
def tree(tmp_path):
    made = SensorTree(tmp_path / "hwmon", number=3)
    made.put(in1=13520, curr1=4200, temp1=31500, power1=56784000)
    return made


def decoded(line):
    (item,) = DECODER.decode(line + b"\n", Context()).items
    return dict(item.values) if isinstance(item, Message) else item.reason


def test_units_are_those_of_the_kernel():
    # Documentation/hwmon/sysfs-interface.rst of the kernel: in[0-*]_input "Unit: millivolt",
    # curr[1-*]_input "Unit: milliampere", power[1-*]_input "Unit: microWatt", temp[1-*]_input
    # "Unit: millidegree Celsius".
    values = decoded(b"in1=13520 curr1=-4200 temp1=-5500 power1=56784000")
    assert values == {
        "in1": 13.52, "curr1": -4.2, "temp1": -5.5, "power1": 56.784,
        "power1/in1": pytest.approx(4.2),
    }  # fmt: skip


def test_what_could_not_be_read_is_not_known_and_nonsense_is_refused():
    assert decoded(b"in1= curr1=4200") == {"in1": None, "curr1": 4.2}
    assert decoded(b"in1=13.5") == "not a whole number"
    assert decoded(b"volts=1") == "not an attribute"
    # Two offsets are no current.
    assert decoded(b"in1=10 power1=100000")["power1/in1"] is None
    assert decoded(b"in1= power1=100000")["power1/in1"] is None


def test_readings_and_what_it_is_called(tmp_path, tree):
    source = source_from(tmp_path, SOURCE)
    assert source.describe() == "hwmon on shuntmon"
    for reading in asyncio.run(take(source, 3)):
        assert (reading.voltage_v, reading.current_a, reading.temperature_c) == (13.52, 4.2, 31.5)
        assert 0.0 <= time.clock_gettime(time.CLOCK_BOOTTIME) - reading.time_s < 60.0
    assert source.refusals.total == 0


def test_a_current_from_power_and_voltage(tmp_path, tree):
    source = source_from(tmp_path, SOURCE.replace('"curr1"', '"power1/in1"'))
    (reading,) = asyncio.run(take(source, 1))
    assert reading.current_a == pytest.approx(56.784 / 13.52)


def test_the_sensor_is_found_by_name_whatever_its_number(tmp_path, tree):
    other = SensorTree(tree.root, name="cpu", number=0, device="soc")
    other.put(in1=1000, curr1=1)
    assert find(tree.root, "shuntmon").folder == tree.folder
    twin = SensorTree(tree.root, number=5, device="1-0041")
    with pytest.raises(
        SourceError, match="2 sensors are called shuntmon; set device to one of 1-0040, 1-0041"
    ):
        find(tree.root, "shuntmon")
    assert find(tree.root, "shuntmon", "1-0041").folder == twin.folder
    with pytest.raises(
        SourceError, match=r"no sensor is called shunt; there: cpu \(soc\), shuntmon \(1-00"
    ):
        find(tree.root, "shunt")
    with pytest.raises(SourceError, match="there: none"):
        find(tmp_path / "nowhere", "shunt")


class Fault:
    """What goes wrong with a sensor while it is read; each leaves some readings of the current."""

    def __init__(self, tree):
        self.tree = tree

    def none(self, _step):
        pass

    def temperature_vanishes(self, step):
        if step == 5:
            self.tree.remove("temp1")

    def temperature_fails_and_comes_back(self, step):
        if step % 10 == 2:
            self.tree.make_fail("temp1")
        elif step % 10 == 8:
            (self.tree.folder / "temp1_input").unlink()
            self.tree.put(temp1=31500)

    def temperature_is_empty(self, step):
        if step == 5:
            (self.tree.folder / "temp1_input").write_text("")

    def temperature_is_no_number(self, step):
        if step == 5:
            self.tree.put(temp1="N/A")

    def renumbered(self, step):
        if step % 20 == 10:
            self.tree.renumber(3 + step, **measured(step), temp1=31500)
            # Its old number now belongs to another sensor.
            other = SensorTree(self.tree.root, name="cpu", number=step - 17, device=f"soc{step}")
            other.put(in1=1000, curr1=90000, temp1=99000)


def measured(step):
    """Return what the sensor shows in a step, mV and mA."""
    volts, amps = quick_truth(step)
    return {"in1": round(1000 * volts), "curr1": round(1000 * amps)}


def now_s():
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(frozen=True)
class Step:
    """What the sensor showed for a while."""

    volts: float
    amps: float
    put_s: float
    from_s: float
    until_s: float = math.inf


def logged(source, tree, spoil, steps=40):
    """Return what was measured, and the readings of as many steps of 0.05 s.

    In each step something may happen. What was measured is V and A in each step, the time, s, at
    which they were put there, and the times between which they can have stood there.
    """
    got, sent = [], []

    async def main():
        task = asyncio.create_task(supervise(source, got.append))
        async with asyncio.timeout(200):
            while not got:  # noqa: ASYNC110 - nobody tells of the first reading
                await asyncio.sleep(0.01)
        got.clear()
        for step in range(steps):
            # The times are taken before and after, since a thread reads meanwhile.
            before_s = now_s()
            spoil(step)
            put_s = now_s()
            tree.put(**measured(step))
            if sent:
                sent[-1] = replace(sent[-1], until_s=now_s())
            sent.append(Step(*quick_truth(step), put_s, before_s))
            await asyncio.sleep(0.05)
        async with asyncio.timeout(200):
            while not got or got[-1].time_s < sent[-1].put_s:  # noqa: ASYNC110 - as above
                await asyncio.sleep(0.01)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await source.close()

    asyncio.run(main())
    return sent, got


@pytest.mark.parametrize("name", [n for n in vars(Fault) if not n.startswith("_")])
def test_energy_under_faults(tmp_path, tree, name):
    source = source_from(tmp_path, SOURCE)
    sent, got = logged(source, tree, getattr(Fault(tree), name))
    got = [r for r in got if r.time_s > sent[1].put_s]
    course = [(s.put_s, s.volts * s.amps) for s in sent]
    truth_j = measured_s = unseen_j = 0.0
    for reading, after in pairwise(got):
        if None in (reading.voltage_v, reading.current_a):
            assert name == "renumbered", "it comes back one attribute after the other"
            continue
        # Never from another sensor, and of its own time: each value stood there at some moment
        # between this look and the next. The two attributes are read one after the other.
        there = [s for s in sent if s.from_s <= after.time_s and reading.time_s <= s.until_s]
        assert reading.voltage_v in {s.volts for s in there}, reading
        assert reading.current_a in {s.amps for s in there}, reading
        if None not in (after.voltage_v, after.current_a):
            truth_j += held(course, reading.time_s, after.time_s)
            passed_s = after.time_s - reading.time_s
            measured_s += passed_s
            if passed_s > 1.5 * EVERY_S:
                # On a busy machine the thread that reads stands still, and the sensor moves on.
                powers = [s.volts * s.amps for s in there]
                unseen_j += passed_s * (max(powers) - min(powers))
    assert {r.temperature_c for r in got} <= {31.5, None}
    lasted_s = got[-1].time_s - got[0].time_s
    assert lasted_s > 1.5
    # No energy is made up beside a reading that lacks a value.
    assert measured_s == pytest.approx(lasted_s, rel=0.5 if name == "renumbered" else 1e-9)
    assert energy_of(got) == pytest.approx(truth_j, abs=0.01 * truth_j + unseen_j)
    told = source.refusals.by_reason
    assert ("temperature" in name) == any(reason.startswith("temp1: ") for reason in told), told


def test_what_failed_is_told_by_the_word_of_the_kernel(tmp_path, tree):
    tree.make_fail("temp1")
    tree.remove("curr1")
    source = source_from(tmp_path, SOURCE)
    (reading,) = asyncio.run(take(source, 1))
    assert (reading.voltage_v, reading.current_a, reading.temperature_c) == (13.52, None, None)
    assert {"temp1: Input/output error", "curr1: No such file or directory"} <= {
        *source.refusals.by_reason
    }


def test_a_sensor_that_cannot_be_read_at_all_is_lost_and_looked_for_again(tmp_path, tree):
    source = source_from(tmp_path, SOURCE)
    tree.remove()
    with pytest.raises(SourceError, match="no sensor is called shuntmon; there: none"):
        asyncio.run(take(source, 1))
    tree.add(7)
    with pytest.raises(SourceError, match="in1: No such file or directory; curr1: No such"):
        asyncio.run(take(source, 1))
    tree.put(in1=12000, curr1=0, temp1=0)
    assert asyncio.run(take(source, 1))[0].voltage_v == 12.0


def test_one_look_that_fails_is_asked_again(tree, monkeypatch):
    looks = []

    async def main():
        link = SensorLink(tree.root, "shuntmon", "", ["in1"], 0.02, Refusals())
        look = link.look

        def once(folder):
            looks.append(folder)
            if len(looks) == 2:
                raise SourceError("in1: Remote I/O error")
            return look(folder)

        link.look = once
        await link.open()
        got = [(await link.receive())[1] for _ in range(3)]
        await link.close()
        with pytest.raises(SourceError, match="cannot be sent"):
            await link.send(b"x")
        return got

    assert asyncio.run(main()) == [b"in1=13520\n"] * 3
    assert len(looks) >= 4


def test_an_attribute_that_hangs_holds_up_nothing_else(tmp_path, tree):
    # A pipe without a writer: opening it must not wait.
    (tree.folder / "temp1_input").unlink()
    os.mkfifo(tree.folder / "temp1_input")
    source = source_from(tmp_path, SOURCE)
    (reading,) = asyncio.run(take(source, 1))
    assert (reading.current_a, reading.temperature_c) == (4.2, None)


def test_a_bus_that_hangs_gets_no_second_thread(tmp_path, tree, monkeypatch):
    source = source_from(tmp_path, SOURCE)
    held = threading.Event()
    monkeypatch.setattr(SensorLink, "look", lambda _link, _folder: held.wait(60) and (b"", []))

    async def one_session():
        task = asyncio.ensure_future(take(source, 1))
        await asyncio.sleep(0.2)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(one_session())
    for _ in range(3):
        with pytest.raises(SourceError, match="still hangs in the driver"):
            asyncio.run(take(source, 1))
    assert sum("shuntmon" in t.name for t in threading.enumerate()) == 1
    held.set()


def test_no_file_is_ever_opened_for_writing(tmp_path, tree, monkeypatch):
    opened, real = [], os.open

    def watched(path, flags, *arguments, **keywords):
        opened.append((str(path), flags & os.O_ACCMODE))
        return real(path, flags, *arguments, **keywords)

    monkeypatch.setattr(os, "open", watched)
    asyncio.run(take(source_from(tmp_path, SOURCE), 2))
    assert {mode for path, mode in opened if path.endswith("_input")} == {os.O_RDONLY}


def test_threads_and_files_are_given_back(tmp_path, tree):
    source = source_from(tmp_path, SOURCE)
    asyncio.run(take(source, 1))
    before = len(list(FILES.iterdir()))
    for _ in range(20):
        asyncio.run(take(source, 1))
    assert len(list(FILES.iterdir())) == before
    end_s = time.monotonic() + 200
    while time.monotonic() < end_s and any("shuntmon" in t.name for t in threading.enumerate()):
        time.sleep(0.01)
    assert not any("shuntmon" in t.name for t in threading.enumerate())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('name = "shuntmon"\n', "", "source.hwmon: name is missing; it takes text"),
        ("every_s = 0.02", "every_s = 0", "every_s: got 0; accepted: a number from 0.02 to 3600"),
        ('voltage_v = "in1"', 'voltage_v = "curr1"', "such as 'in1'"),
        ('current_a = "curr1"', 'current_a = "power1"', "such as 'curr1' or 'power1/in1'"),
        ('current_a = "curr1"', 'current_a = "curr1_input"', "an attribute without _input"),
        ('temperature_c = "temp1"', 'runtime_h = "temp1"', "no sensor of Linux tells it; accepted"),
        ('"in1"', '{ from = "in1", unit = "mV" }', "unit: must be left out: the kernel"),
        ("[source.timing]", "[source.poll]\nsend = ['x']\n[source.timing]", "poll: has no meaning"),
        ("[source.fields]", '[source.decoder]\nkind = "keyvalue"\n[source.fields]', ": 'hwmon'"),
    ],
)  # fmt: skip
def test_settings_that_cannot_work_say_why(tmp_path, tree, old, new, says):
    with pytest.raises(ConfigError) as caught:
        source_from(tmp_path, SOURCE.replace(old, new))
    assert says in str(caught.value)
    assert "ebbwatt.toml" in str(caught.value)


def test_captures_play_again(tmp_path, tree, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text(f"[charger]\nrated_w = 110\n{SOURCE}")
    shown = ebbwatt("probe", "--count", "3", "--capture", "talk.jsonl", cwd=tmp_path).stdout
    assert "in1=13520 curr1=4200 temp1=31500\n    13.52 V, 4.2 A, temperature 31.5 degC" in shown
    played = ebbwatt("check", "--against", "talk.jsonl", cwd=tmp_path).stdout
    assert "field     current_a from 'curr1' in A" in played
    # A capture begins in the middle of the talk: its first line is not taken.
    assert int(re.search(r"(\d+) readings, 0 refused", played)[1]) >= 2


def test_probe_lists_what_there_is_and_the_lines_work(tmp_path, tree, ebbwatt):
    SensorTree(tree.root, name="cpu", number=0, device="soc").put(temp1=51000)
    tree.put(in0=84)
    (tree.folder / "in1_label").write_text("bus\n")
    tree.make_fail("temp2")
    head = '[charger]\nrated_w = 110\n[source]\nkind = "hwmon"\nroot = "hwmon"\n'
    (tmp_path / "ebbwatt.toml").write_text(head)
    shown = ebbwatt("probe", cwd=tmp_path).stdout
    assert (
        "  shuntmon at 1-0040\n    curr1: 4.2 A\n    in0: 0.084 V\n    in1 (bus): 13.52 V\n"
        in shown
    )
    assert "temp2: (Input/output error)" in shown
    lines = shown.split("in ebbwatt.toml:\n")[1]
    ebbwatt("probe", "--write", "device.toml", cwd=tmp_path)
    ebbwatt("check", "device.toml", cwd=tmp_path)
    (tmp_path / "ebbwatt.toml").write_text(head + lines)
    ebbwatt("check", cwd=tmp_path)
    assert (
        "13.52 V, 4.2 A, temperature 31.5 degC"
        in ebbwatt("probe", "--count", "1", cwd=tmp_path).stdout
    )
    for path in tree.root.iterdir():
        with contextlib.suppress(OSError):
            (path / "name").unlink()
    (tmp_path / "ebbwatt.toml").write_text(head)
    assert "no sensors; is the driver loaded" in ebbwatt("probe", cwd=tmp_path).stdout
