"""Exported intervals come back: the file is read once, and the log is free meanwhile."""

import sqlite3

import pytest

from analysis.transfer import import_intervals
from analysis.transfer.import_intervals import take_exported
from logger.config import load_config
from logger.errors import StoreError
from logger.store import records
from logger.store.reader import Reader
from logger.store.records import SessionStart, write_import
from tests.support.empty import put_empty

START_MS = 1_700_000_000_123
TOML = '[charger]\nlabel = "aft locker"\nrated_w = 110.0\n'


def boat(folder):
    folder.mkdir()
    (folder / "ebbwatt.toml").write_text(TOML)
    config = load_config(folder / "ebbwatt.toml")
    put_empty(config.store.path)
    return config


@pytest.fixture
def exported(tmp_path, ebbwatt):
    """Return a file of 50,000 intervals, every tenth of which could only be placed in time."""
    config = boat(tmp_path / "one")
    rows = [(START_MS + 60_000 * k, 60_000, 3, 60, 5, *[None] * 9) for k in range(50_000)]
    path = config.store.path
    write_import(path, config.charger, SessionStart("test", START_MS / 1000.0), rows[:45_000])
    lost = SessionStart("test", 5.0, boot_id="b1", offset_quality=0)
    write_import(path, config.charger, lost, [(r[0] - START_MS, *r[1:]) for r in rows[45_000:]])
    ebbwatt("export", tmp_path / "out.csv", cwd=tmp_path / "one")
    return tmp_path / "out.csv"


def test_the_file_is_parsed_once_and_the_log_is_not_locked_meanwhile(
    exported, tmp_path, monkeypatch
):
    config = boat(tmp_path / "two")
    parsed, rows = import_intervals.parsed_rows, []

    def watched(path, limits):
        for line, row in parsed(path, limits):
            if not len(rows) % 10_000:
                with sqlite3.connect(config.store.path, timeout=0.0) as other:
                    other.execute("BEGIN IMMEDIATE")
                other.close()
            rows.append(line)
            yield line, row

    monkeypatch.setattr(import_intervals, "parsed_rows", watched)
    result = take_exported(config, exported)
    assert result.intervals == 50_000
    assert len(rows) == 50_000
    with Reader(config.store.path) as reader:
        known = sum(1 for _ in reader.spans(reader.fitting().id))
        placed = sum(1 for _ in reader.spans(reader.fitting().id, known=False))
        assert (known, placed) == (45_000, 5_000)
    again = take_exported(config, exported)
    assert (again.intervals, again.known) == (0, 50_000)


def test_either_the_whole_file_goes_in_or_nothing_of_it(exported, tmp_path, monkeypatch):
    config = boat(tmp_path / "two")
    begun = []
    begin = records.begin_session

    def fails_at_the_second(connection, charger, session):
        begun.append(session)
        if len(begun) == 2:
            raise sqlite3.OperationalError("disk I/O error")
        return begin(connection, charger, session)

    with monkeypatch.context() as patch:
        patch.setattr(records, "begin_session", fails_at_the_second)
        with pytest.raises(StoreError, match="disk I/O error"):
            take_exported(config, exported)
    assert len(begun) == 2
    with Reader(config.store.path) as reader:
        assert reader.fittings() == []
