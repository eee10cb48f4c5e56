"""[[source]] twice: settings, two links side by side, and through the daemon."""

import asyncio
import contextlib
import signal
import threading
from dataclasses import replace

import pytest

from analysis.history.history import load_history
from logger.config import load_config
from logger.errors import ConfigError, SourceError
from logger.refusals import Refusals
from logger.sources.several.together import Together
from tests.support.rigs.devices.pty_line import PtyLine
from tests.support.rigs.devices.sensor_tree import SensorTree
from tests.support.rigs.devices.sources import source_from, take
from tests.support.rigs.live import live, resident_kib, wait_for

pytestmark = pytest.mark.waits

BOTH = """\
[[source]]
name = "charger"
kind = "serial"
port = "charger"
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
state = "MODE"
[source.states]
RUN = "running"
[source.timing]
first_wait_s = 0.05
longest_wait_s = 0.1
stale_s = 1.5

[[source]]
name = "shunt"
kind = "hwmon"
root = "hwmon"
[source.hwmon]
name = "shuntmon"
every_s = 0.1
[source.fields]
voltage_v = "in1"
current_a = "curr1"
temperature_c = "temp1"
[source.timing]
first_wait_s = 0.05
longest_wait_s = 0.1
"""
WORDS = (
    "charger (keyvalue on charger) gives voltage_v, current_a, state; shunt (hwmon on shuntmon) "
    "gives temperature_c, checks voltage_v, current_a"
)


class Charger:
    """Writes a line ten times a second on a pseudo-terminal."""

    def __init__(self, folder):
        self.line = PtyLine(folder / "charger")
        self.current_a, self.speaks = 8.0, True
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self):
        while not self.stop.wait(0.1):
            if self.speaks:
                self.line.write(b"U=13.20 I=%.2f MODE=RUN\r\n" % self.current_a)

    def end(self):
        self.stop.set()
        self.thread.join()
        self.line.unplug()


@pytest.fixture
def both(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # a port is looked for from where the program stands
    tree = SensorTree(tmp_path / "hwmon", number=1)
    tree.put(in1=13150, curr1=8050, temp1=31500)
    charger = Charger(tmp_path)
    yield charger, tree
    charger.end()


def test_it_says_which_value_comes_from_which(tmp_path, both):
    source = source_from(tmp_path, BOTH)
    assert isinstance(source, Together)
    assert source.describe() == WORDS

    async def until_both():
        got = []
        async with asyncio.timeout(200), contextlib.aclosing(source.readings()) as readings:
            async for reading in readings:
                got.append(reading)
                if str(reading.state) == "running" and reading.temperature_c is not None:
                    break
        return got

    readings = asyncio.run(until_both())
    last = readings[-1]
    assert (last.voltage_v, last.current_a, last.temperature_c) == (13.2, 8.0, 31.5)
    assert str(last.state) == "running"
    times = [r.time_s for r in readings]
    assert times == sorted({*times})


def test_both_count_what_they_refuse_in_one_place(tmp_path, both):
    both[1].make_fail("temp1")
    source = source_from(tmp_path, BOTH)
    asyncio.run(take(source, 10))
    assert isinstance(source.refusals, Refusals)
    assert "temp1: Input/output error" in source.refusals.by_reason
    assert {part.source.refusals is source.refusals for part in source.parts} == {True}


def test_one_that_gives_up_for_good_ends_both(tmp_path, both):
    both[1].remove()
    text = BOTH.replace("longest_wait_s = 0.1\nstale_s", "stale_s")
    source = source_from(tmp_path, text + "restart_after_s = 60\n")
    for part in source.parts:
        if part.name == "shunt":
            part.source.delays = replace(part.source.delays, restart_after_s=0.3)
    with pytest.raises(SourceError, match=r"shuntmon: no reading for 0\.3 s"):
        asyncio.run(take(source, 10**6))


SHUNT = BOTH[BOTH.index('kind = "hwmon"') :]


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ('"shunt"\n', '"charger"\n', 21, "source.name: both are called 'charger'; give each"),
        ('kind = "hwmon"', 'kind = "hwmo"', 22, "source.kind: got 'hwmo' (did you mean hwmon?)"),
        ('kind = "hwmon"\n', "", 20, "source: kind is missing"),
        (BOTH, "[[source]]\n[[source]]\n", 3, "source: kind is missing; accepted: one of serial"),
        ('root = "hwmon"\n', "join_s = 0\n", 23, "source.join_s: got 0; accepted: a number from"),
        ('"curr1"', '"in1"', 29, "source.fields.current_a: got 'in1'"),
        ('voltage_v = "U"', 'voltage_w = "U"', 10, "source.fields.voltage_w: is not a known"),
        (SHUNT, 'kind = "replay"\npath = "x.csv"\n', 22, "'replay' is no live source: beside"),
        (SHUNT, 'kind = "simulated"\nspeed = 0\n', 22, "'simulated' is no live source: beside"),
    ],
)
def test_settings_that_cannot_work_say_where_and_why(tmp_path, old, new, line, says):
    assert old in BOTH
    with pytest.raises(ConfigError) as caught:
        source_from(tmp_path, "".join(BOTH.replace(old, new)))
    # Two lines stand before: those of [charger].
    said = str(caught.value)
    assert f"ebbwatt.toml, line {line}: " in said
    assert says in said


def test_three_are_one_too_many_and_one_is_a_single_source(tmp_path, both):
    third = '[[source]]\nkind = "simulated"\n'
    with pytest.raises(ConfigError, match=r"is written 3 times; accepted: \[source\] once"):
        source_from(tmp_path, BOTH + third)
    assert not isinstance(source_from(tmp_path, third), Together)
    (tmp_path / "ebbwatt.toml").write_text("source = [3, 4]\n[charger]\nrated_w = 110\n")
    with pytest.raises(ConfigError, match=r"source: must be a section, written \[source\]"):
        load_config(tmp_path / "ebbwatt.toml")


CONFIG = """\
[charger]
rated_w = 110
[store]
commit_s = 1
commit_rest_s = 1
[log]
interval_s = 0.1
"""


def test_through_the_daemon_each_alone_and_both_together(tmp_path, both, start_daemon, ebbwatt):
    charger, tree = both
    (tmp_path / "ebbwatt.toml").write_text(CONFIG + BOTH)
    shown = ebbwatt("check", cwd=tmp_path).stdout
    assert WORDS in " ".join(shown.split())
    assert "field     temperature_c from 'temp1' in degC" in shown
    probed = ebbwatt("probe", "--count", "5", cwd=tmp_path)
    assert "13.2 V, 8 A, temperature 31.5 degC, running" in probed.stdout
    one = ebbwatt("probe", "--source", "shunt", "--count", "2", cwd=tmp_path).stdout
    assert "in1=13150 curr1=8050 temp1=31500" in one
    told = ebbwatt("probe", "--source", "shnt", cwd=tmp_path, status=2).stderr
    assert "no source is called that; there: charger, shunt" in told
    daemon = start_daemon(tmp_path, measured=False)
    reading = live(tmp_path, 20).reading
    assert (reading.voltage_v, reading.current_a, reading.temperature_c) == (13.2, 8.0, 31.5)
    assert live(tmp_path).source == WORDS
    watched = ebbwatt(
        "watch", "--once", cwd=tmp_path, env={"RUNTIME_DIRECTORY": str(tmp_path / "run")}
    )
    assert "13.2" in watched.stdout

    # The charger falls silent: the shunt goes on alone, and what is wrong is told.
    charger.speaks = False

    def alone():
        snapshot = live(tmp_path)
        return snapshot if snapshot.reading.current_a == 8.05 else None

    snapshot = wait_for(alone)
    assert str(snapshot.reading.state) == "unknown"
    assert wait_for(lambda: any(n.startswith("charger: ") for n in live(tmp_path).notices))
    count = live(tmp_path).readings
    live(tmp_path, count + 10)
    charger.speaks = True
    wait_for(lambda: str(live(tmp_path).reading.state) == "running")

    # The shunt goes: the charger goes on alone.
    tree.remove()
    wait_for(lambda: live(tmp_path).reading.temperature_c is None)
    assert wait_for(lambda: any(n.startswith("shunt: ") for n in live(tmp_path).notices))
    assert live(tmp_path).link == "live"
    live(tmp_path, live(tmp_path).readings + 10)
    tree.add(9)
    tree.put(in1=13150, curr1=8050, temp1=31500)
    wait_for(lambda: live(tmp_path).reading.temperature_c == 31.5)

    # They disagree.
    tree.put(curr1=6000)
    odd = wait_for(lambda: [n for n in live(tmp_path).notices if n.startswith("current_a: ")])
    assert "charger says 8" in odd[0]
    assert resident_kib(daemon) < 30 * 1024
    print(f"two sources: {resident_kib(daemon) / 1024:.1f} MiB")
    daemon.send_signal(signal.SIGTERM)
    _, journal = daemon.communicate(timeout=200)
    assert daemon.returncode == 0
    assert "further apart than two such sensors may be" in journal
    history = load_history(tmp_path / "ebbwatt.db")
    assert history.readings.sum() > 50
