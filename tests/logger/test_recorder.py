"""When the recorder commits: rarely at rest, once a minute while anything happens."""

from itertools import pairwise

import pytest

from logger.config import load_config
from logger.reading import MOST_WORDS, OperatingState, Reading
from logger.recorder import MOST_WAITING, Recorder
from logger.refusals import Refusals
from logger.store.reader import Reader
from logger.store.records import SessionStart
from logger.store.writer import Writer

REST, RUN = OperatingState.STANDBY, OperatingState.RUNNING


class Clock:
    now_s = 0.0

    def monotonic(self):
        return self.now_s


@pytest.fixture
def board(tmp_path, store, monkeypatch):
    """Return a function that lives through readings a second and tells what was committed."""
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    config = load_config(tmp_path / "ebbwatt.toml")
    assert config.store.path == store
    clock = Clock()
    session = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=1)

    def live_through(readings, hold_s=1, noted_s=None):
        """Return (time of commit, end of what was committed) of each commit.

        Readings are worked off in one go every ``hold_s``; an event is noted at ``noted_s``.
        """
        commits = []
        clock.now_s = 0.0
        with Writer(config.store.path, config.charger, session) as writer:
            # The check of the file ends in its own time, and has an interval cut then.
            writer._mending.close()
            taken = Recorder(config, writer, Refusals(), clock.monotonic)
            write = writer._write

            def counted():
                if writer.waiting:
                    commits.append((clock.now_s, writer._waiting.newest_ms(0) / 1000.0))
                write()

            monkeypatch.setattr(writer, "_write", counted)
            for reading in readings:
                clock.now_s = reading.time_s
                taken.take(reading)
                if reading.time_s == noted_s:
                    writer.add_event(noted_s, "refused")
                if clock.now_s % hold_s == 0.0:
                    taken.tick(0.0 if hold_s == 1 else hold_s)
        return commits

    return live_through


def test_at_rest_a_commit_each_twenty_minutes(board):
    day = [Reading(float(s), 12.60, 0.0, REST) for s in range(86400)]
    commits = board(day)
    assert 70 <= len(commits) <= 74, "3 MB a day at 33 kB a commit is 91"
    assert all(b[0] - a[0] <= 1201.0 for a, b in pairwise(commits))


def test_running_loses_at_most_a_minute(board):
    commits = board([Reading(float(s), 13.2, 8.0, RUN) for s in range(3600)])
    assert 55 <= len(commits) <= 60
    assert all(b[0] - a[1] <= 61.0 for a, b in pairwise(commits)), "never more than a minute old"


@pytest.mark.parametrize("hold_s", [5, 7])
def test_readings_that_wait_cost_neither_data_nor_commits(board, hold_s):
    commits = board([Reading(float(s), 13.2, 8.0, RUN) for s in range(3600)], hold_s)
    assert len(commits) <= 60 if hold_s == 5 else len(commits) <= 65
    assert all(b[0] - a[1] <= 60.0 for a, b in pairwise(commits)), "never more than a minute old"


@pytest.mark.parametrize("before_s", [3, 18, 40, None])
def test_whatever_changes_at_rest_is_stored_within_a_minute(board, before_s):
    # An event has the open interval cut: what changes soon after must not go under in its mean.
    noted_s = None if before_s is None else 5000.0 - before_s

    def voltage(s):
        return 12.6 if s < 5000 else 12.3 if s < 9000 else 12.6

    def state(s):
        return OperatingState.FAULT if 12000 <= s < 12010 else REST

    readings = [Reading(float(s), voltage(s), 0.0, state(s)) for s in range(14000)]
    commits = board(readings, noted_s=noted_s)
    for change_s in (5000, 9000, 12000, 12010):
        # A rest interval is no shorter than a minute; then a minute until the commit.
        assert any(at <= change_s + 121.0 and end >= change_s for at, end in commits), change_s
    assert len(commits) < 20


def test_a_rest_without_a_disk_fills_the_memory_no_faster_than_its_intervals(board, monkeypatch):
    monkeypatch.setattr(Writer, "stuck", True)
    commits = board([Reading(float(s), 12.60, 0.0, REST) for s in range(7200)])
    ends = [end for _, end in commits]
    assert len(ends) >= 10
    assert ends == [600.0 * k for k in range(1, len(ends) + 1)]


@pytest.mark.parametrize(("boot_id", "commits"), [(None, 2), ("b", 0)])
def test_a_recording_is_committed_by_number_and_a_live_source_by_time(store, boot_id, commits):
    # Every tenth second the state changes and closes an interval: 5000 of them.
    (store.parent / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    config = load_config(store.parent / "ebbwatt.toml")
    states = (REST, RUN)
    with Writer(store, config.charger, SessionStart("port", 0.0, boot_id=boot_id)) as writer:
        taken = Recorder(config, writer, Refusals(), lambda: 0.0)
        sizes = []
        for k in range(5001):
            waited = writer.waiting
            taken.take(Reading(10.0 * k, 13.0, 5.0, states[k % 2]))
            if writer.waiting < waited:
                sizes.append(waited + 1)
    assert sizes == [MOST_WAITING] * commits


def test_the_energy_counter_is_exact_over_cuts_and_never_falls(tmp_path, store):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    config = load_config(tmp_path / "ebbwatt.toml")
    clock, told = Clock(), []
    session = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=1)
    with Writer(store, config.charger, session) as writer:
        taken = Recorder(config, writer, Refusals(), clock.monotonic)
        assert taken.energy_j() is None
        for second in range(2000):
            running = second < 1000
            # At rest the sensor swings round zero.
            amps = 5.0 if running else 0.02 * (-1) ** second - 0.01
            clock.now_s = float(second)
            state = OperatingState.RUNNING if running else OperatingState.STANDBY
            taken.take(Reading(clock.now_s, 12.0, amps, state))
            taken.tick()
            told.append(taken.energy_j())
        taken.finish()
        assert taken.energy_j() == told[-1]
    assert told == sorted(told)
    # By hand: 12 V x 5 A for 999 s, and half of the step down in one second.
    assert told[-1] == pytest.approx(60.0 * 999 + 30.0, abs=1.0)


@pytest.fixture
def taking(tmp_path, store):
    """Return a recorder with its clock, and a function that ends it and tells its events."""
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    config = load_config(tmp_path / "ebbwatt.toml")
    session = SessionStart("port", 50.0, boot_id="b", offset_s=1.7e9, offset_quality=1)
    with Writer(store, config.charger, session) as writer:
        clock = Clock()

        def events(kind):
            writer.commit()
            with Reader(store) as reader:
                return [(e.time_s - 1.7e9, e.text) for e in reader.events() if e.kind == kind]

        yield Recorder(config, writer, Refusals(), clock.monotonic), clock, events


def test_refused_data_are_noted_at_the_newest_reading_or_at_the_start(taking):
    taken, clock, events = taking
    taken.tick()
    taken.refusals.count("nonsense")
    clock.now_s = 3600.0
    taken.tick()
    taken.take(Reading(4000.0, 12.6, 0.0, REST))
    taken.refusals.count("nonsense")
    clock.now_s = 7199.0
    taken.tick()
    assert events("refused") == [(50.0, "nonsense (1 x)")], "an hour has not passed"
    clock.now_s = 7200.0
    taken.tick()
    assert events("refused") == [(50.0, "nonsense (1 x)"), (4000.0, "nonsense (1 x)")]


def test_a_state_word_is_noted_when_it_comes_and_again_after_six_hours(taking):
    taken, _, events = taking
    told = [("A", 0), ("A", 5), ("B", 10), ("A", 20), ("", 30), ("B", 21_609), ("A", 21_610)]
    for word, at_s in (*told, ("B", 21_611)):
        taken.take(Reading(float(at_s), 12.6, 0.0, REST, word=word))
    # B came at 10 s: at 21,609 s that is not yet six hours ago.
    assert events("state_word") == [(0.0, "A"), (10.0, "B"), (21_610.0, "A"), (21_611.0, "B")]
    assert taken.state_since_s == 21_611.0


def test_of_the_state_words_no_more_than_so_many_are_noted(taking):
    taken, _, events = taking
    for k in range(MOST_WORDS + 3):
        taken.take(Reading(float(k), 12.6, 0.0, REST, word=f"W{k}"))
    # A word that is known is noted all the same.
    taken.take(Reading(30_000.0, 12.6, 0.0, REST, word="W0"))
    noted = [word for _, word in events("state_word")]
    assert noted == [*(f"W{k}" for k in range(MOST_WORDS)), "W0"]


def test_a_tick_that_says_nothing_of_the_next_one_commits_when_the_minute_is_over(
    taking, monkeypatch
):
    taken, clock, _ = taking
    commits = []
    monkeypatch.setattr(taken.writer, "commit", lambda: commits.append(clock.now_s))
    for half in range(130):
        clock.now_s = 0.5 * half
        taken.take(Reading(clock.now_s, 13.2, 8.0, RUN))
        taken.tick()
    assert commits == [60.0]
    # One that comes again in two seconds commits now what falls due before then.
    for now_s in (118.0, 118.5):
        clock.now_s = now_s
        taken.take(Reading(now_s, 13.2, 8.0, RUN))
        taken.tick(2.0)
    assert commits == [60.0, 118.5]
