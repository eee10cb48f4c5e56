"""Raw readings: exact in their packing, a bounded ring, and intervals can be made anew of them."""

import math
import random
import sqlite3
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.transfer.merge import merge
from logger.config import load_config
from logger.errors import ConfigError, StoreError
from logger.reading import OperatingState, Reading
from logger.recorder import Recorder
from logger.refusals import Refusals
from logger.store.blocks import pack_column, unpack_column
from logger.store.raw import COLUMNS, ROW_READINGS, SCALES, raw_readings
from logger.store.reader import Reader
from logger.store.records import SessionStart
from logger.store.repair.salvage import salvage
from logger.store.shortage import MOST_HOURS
from logger.store.writer import Writer
from tests.support.empty import put_empty

REST, RUN = OperatingState.STANDBY, OperatingState.RUNNING
#: Unix time of the beginning of an hour.
START_S = 1_699_999_200.0
TOML = """\
[charger]
rated_w = 110
[plausible]
voltage_v = [0, 64]
[store]
path = "{}"
raw_hours = {}
"""


def configured(folder, raw_hours, name="ebbwatt"):
    """Return a configuration that keeps so many hours."""
    path = folder / f"{name}.toml"
    path.write_text(TOML.format(f"{name}.db", raw_hours), encoding="utf-8")
    config = load_config(path)
    put_empty(config.store.path)
    return config


def log(config, readings, start=None, *, ends=True):
    """Take readings as the daemon does; without an end, what was not committed is lost."""
    now_s = START_S
    start = start or SessionStart("test", START_S)
    writer = Writer(config.store.path, config.charger, start)
    recorder = Recorder(config, writer, Refusals(), lambda: now_s)
    for reading in readings:
        now_s = reading.time_s
        recorder.take(reading)
        recorder.tick()
    if ends:
        recorder.finish()
        writer.close(now_s)
    else:
        writer._disconnect()
        writer._mending.close()


def kept(config, *span):
    with Reader(config.store.path) as reader:
        return list(raw_readings(reader, reader.fitting().id, *span))


def rows(config, statement="SELECT slot, session, hour, readings FROM raw ORDER BY id"):
    with closing(sqlite3.connect(config.store.path)) as db:
        return db.execute(statement).fetchall()


def noisy(count, spacing_s=1.0, start_s=START_S, seed=1):
    """Return readings of a charger with the noise of its sensors, as fine as the log's scale."""
    rng = random.Random(seed)
    return [
        Reading(
            round(start_s + k * spacing_s + rng.uniform(0.0, 0.02), 3),
            round(13.2 + 0.1 * math.sin(k / 900) + rng.gauss(0, 0.01), 3),
            round(8.0 + rng.gauss(0, 0.03), 3),
            RUN,
            round((1000 * 3600 + k * spacing_s) // 360 * 360 / 3600, 6),
            round(21.0 + k / 9000, 1),
        )
        for k in range(count)
    ]


@given(st.lists(st.none() | st.integers(-(2**62), 2**62 - 2), max_size=60))
def test_packing_gives_back_what_went_in(values):
    packed = pack_column(values, shuffled=True)
    assert unpack_column(packed, len(values), shuffled=True) == values


def stored(low, high, scale):
    return st.none() | st.integers(math.ceil(low * scale), math.floor(high * scale)).map(
        lambda value: value / scale
    )


@pytest.fixture(scope="module")
def wild(tmp_path_factory):
    return configured(tmp_path_factory.mktemp("wild"), 1_000_000)


def test_wild_readings_come_back_exactly(wild):
    limits = wild.plausible
    channels = {name: stored(*limits[name], scale) for name, scale in SCALES.items()}
    # A counter faster than time is dropped before it is stored; that is tested elsewhere. This one
    # counts a part of the time since the reading before, or is not told.
    channels["runtime_h"] = st.none() | st.floats(0.0, 1.0)
    # At least one value, or the recorder has nothing to keep.
    said = st.builds(dict, state=st.sampled_from(sorted(OperatingState)), **channels).filter(
        lambda v: any(x is not None for k, x in v.items() if k != "state")
    )
    gaps_ms = st.sampled_from((1, 999, 1000, 3_600_000)) | st.integers(1, 10**10)

    # Each example is synchronised to the disk, which takes what it takes.
    @settings(deadline=None)
    @given(st.lists(st.tuples(gaps_ms, said), min_size=1, max_size=40))
    def check(steps):
        with closing(sqlite3.connect(wild.store.path)) as db, db:
            for table in ("raw", "intervals", "sessions"):
                db.execute(f"DELETE FROM {table}")
        time_ms, readings, counted_s = round(START_S * 1000), [], 812.5 * 3600.0
        for gap_ms, values in steps:
            time_ms += gap_ms
            if values["runtime_h"] is not None:
                counted_s += values["runtime_h"] * gap_ms / 1000.0
                values |= {"runtime_h": counted_s // 1.0 / SCALES["runtime_h"]}
                rises.append(values["runtime_h"] > 812.5)
            readings.append(Reading(time_ms / 1000.0, **values))
        log(wild, readings)
        assert kept(wild) == readings

    rises = []
    check()
    assert sum(rises) > len(rises) / 4, "counters that stand still would show nothing"


def test_nothing_is_kept_unless_it_is_asked_for(tmp_path):
    config = configured(tmp_path, 0)
    assert load_config(config.path).store.raw_hours == 0
    log(config, noisy(4000))
    assert rows(config) == []


@pytest.mark.parametrize("value", ["-1", "1000001", "1.5", "true", '"ever"'])
def test_a_wrong_setting_is_named_with_what_is_accepted(tmp_path, value):
    with pytest.raises(ConfigError, match=r"line 7: store.raw_hours: .*from 0 to 1000000"):
        configured(tmp_path, value)


def test_the_ring_holds_the_newest_hours_and_the_file_does_not_grow(tmp_path):
    config, without = configured(tmp_path, 6), configured(tmp_path, 0, "without")
    extra = []
    for day in range(3):
        start_s = START_S + day * 86400
        for each in (config, without):
            log(each, noisy(19200, 4.5, start_s, day), SessionStart("test", start_s))
        hours = [hour for _, _, hour, _ in rows(config)]
        last = int(start_s // 3600) + 23
        assert hours == list(range(last - 5, last + 1))
        assert [r.time_s // 3600 for r in kept(config)] == [h for h in hours for _ in range(800)]
        pages = [rows(c, "PRAGMA page_count")[0][0] for c in (config, without)]
        extra.append(pages[0] - pages[1])
    assert 0 < extra[-1] <= extra[0] + 2, "pages beyond those of a log without raw readings"
    count = "SELECT sum(readings) FROM intervals"
    assert rows(config, count) == rows(without, count) == [(3 * 19200,)], "intervals all stay"


def test_an_hour_of_fast_readings_is_one_slot_of_several_rows(tmp_path):
    config = configured(tmp_path, 1)
    readings = noisy(2 * 3600 * 4, 0.25)
    log(config, readings)
    hour = int(START_S // 3600) + 1
    parts = [(slot, at) for slot, _, at, _ in rows(config)]
    assert parts == [(2, hour)] * math.ceil(3600 * 4 / ROW_READINGS)
    assert kept(config) == readings[3600 * 4 :]


def test_a_span_is_given_in_utc_with_the_offset_that_the_boot_learnt_later(tmp_path):
    config = configured(tmp_path, 100)
    boot = SessionStart("port", 100.0, boot_id="b", offset_s=0.0, offset_quality=0)
    log(config, noisy(7200, start_s=100.0), boot)
    with Writer(config.store.path, config.charger, boot) as writer:
        writer.set_offset(START_S, 2)
    span = kept(config, START_S + 3000.0, START_S + 5000.0)
    assert len(span) == 2000
    assert START_S + 3000.0 <= span[0].time_s < START_S + 3000.1
    assert span == [r for r in kept(config) if START_S + 3000 <= r.time_s < START_S + 5000]


def test_a_restart_in_the_middle_of_an_hour_loses_nothing(tmp_path):
    config = configured(tmp_path, 10)
    readings = noisy(5400)
    log(config, readings[:1800])
    log(config, readings[1800:], SessionStart("test", START_S + 1800.0))
    assert [n for *_, n in rows(config)] == [1800, 1800, 1800]
    assert kept(config) == readings


def test_a_power_cut_costs_the_running_hour_at_most(tmp_path):
    config = configured(tmp_path, 10)
    readings = noisy(3600 * 2 + 1800)
    log(config, readings, ends=False)
    assert kept(config) == readings[:7200]


def test_no_commit_is_made_for_raw_readings(tmp_path, monkeypatch):
    commits, write = [], Writer._write

    def counted(writer):
        commits.append(writer.path.name)
        write(writer)

    monkeypatch.setattr(Writer, "_write", counted)
    for keep in (0, 100):
        config = configured(tmp_path, keep, f"keep{keep}")
        log(config, [Reading(START_S + s, 12.6, 0.0, REST) for s in range(6 * 3600)])
    assert commits.count("keep0.db") == commits.count("keep100.db") > 10


def test_the_newest_hours_wait_for_a_disk_that_is_full(tmp_path, monkeypatch):
    config = configured(tmp_path, 1000)
    boot = SessionStart("port", START_S, boot_id="b")
    with Writer(config.store.path, config.charger, boot) as writer:
        recorder = Recorder(config, writer, Refusals(), lambda: 0.0)
        with monkeypatch.context() as full:
            full.setattr(Writer, "_attempt", lambda *_: None)
            for k in range(100):
                recorder.take(Reading(START_S + 3600.0 * k, 12.6, 0.0, REST))
            recorder.finish()
        recorder.finish()
    assert len(rows(config)) == MOST_HOURS
    assert kept(config)[-1].time_s == START_S + 3600.0 * 99


@pytest.mark.parametrize("suffix", ["csv", "jsonl.gz"])
def test_intervals_are_made_anew_of_exported_readings(tmp_path, ebbwatt, suffix):
    config = configured(tmp_path, 100)
    readings = noisy(9000)
    log(config, readings[:4000] + readings[5000:])
    name = f"raw.{suffix}"
    done = ebbwatt("export", name, "--raw", cwd=tmp_path)
    assert done.stderr == f"8,000 readings written to {name}\n"
    anew = configured(tmp_path, 0, "anew")
    ebbwatt("import", name, "--config", "anew.toml", cwd=tmp_path)
    total = "SELECT sum(energy_mj), sum(charge_mc), sum(duration_ms), sum(readings) FROM intervals"
    first, again = rows(config, total)[0], rows(anew, total)[0]
    assert again[3] == first[3] == 8000
    assert again[2] == first[2]
    # Intervals are cut at commits, so these round to a millijoule and a millicoulomb elsewhere.
    assert again[0] == pytest.approx(first[0], rel=1e-7)
    assert again[1] == pytest.approx(first[1], rel=1e-7)


def test_events_and_raw_readings_do_not_fit_one_file(tmp_path, ebbwatt):
    configured(tmp_path, 0)
    done = ebbwatt("export", "-", "--raw", "--events", cwd=tmp_path, status=2)
    assert "give one of them" in done.stderr


def test_a_damaged_hour_is_named_and_the_way_round_it(tmp_path):
    config = configured(tmp_path, 10)
    log(config, noisy(10))
    with closing(sqlite3.connect(config.store.path)) as db, db:
        db.execute("UPDATE raw SET current_ma = x'00'")
    with pytest.raises(StoreError, match=r"row 1: .*export without --raw"):
        kept(config)


def test_a_database_of_version_2_has_no_raw_readings_until_it_is_written(tmp_path):
    config = configured(tmp_path, 10)
    log(config, noisy(10))
    with closing(sqlite3.connect(config.store.path)) as db, db:
        db.execute("DROP TABLE raw")
        db.execute("DELETE FROM _sqlite_migrations WHERE name = 'raw_hours'")
        db.execute("PRAGMA user_version = 2")
    assert kept(config) == []
    log(config, noisy(10, start_s=START_S + 60), SessionStart("test", START_S + 60))
    assert len(kept(config)) == 10


def test_readings_take_few_bytes(tmp_path):
    """Noise of 10 mV and 30 mA, times that vary by 20 ms: 2.7 bytes a reading when written."""
    config = configured(tmp_path, 10)
    log(config, noisy(3600))
    size = " + ".join(f"coalesce(length({name}), 0)" for name in COLUMNS)
    size, count = rows(config, f"SELECT {size}, readings FROM raw")[0]
    assert count == 3600
    assert 2.0 < size / count < 3.0


def test_mending_and_merging_keep_the_intervals_and_leave_raw_readings_out(tmp_path):
    config, other = configured(tmp_path, 10), configured(tmp_path, 10, "other")
    log(config, noisy(7200))
    total = "SELECT sum(energy_mj), sum(readings) FROM intervals"
    before = rows(config, total)
    log(other, noisy(60, start_s=START_S - 86400.0), SessionStart("test", START_S - 86400.0))
    merge(other.store.path, config.store.path)
    assert rows(other, total)[0][1] == before[0][1] + 60
    assert len(kept(other)) == 60
    salvage(config.store.path, config.charger)
    assert rows(config, total) == before
    assert kept(config) == []
