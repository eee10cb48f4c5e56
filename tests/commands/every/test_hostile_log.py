"""A database that another program wrote into: one clear line, or its wrong rows are left out."""

import sqlite3
from contextlib import closing

import pytest

from analysis.cli import main
from analysis.history.history import load_history
from logger.config import ChargerConfig
from logger.store.blocks import BLOCK_ROWS
from logger.store.records import SessionStart, interval_row, write_import
from tests.support.bad_files import T0
from tests.support.boats.intervals import minute
from tests.support.configurations import AFT_LOCKER
from tests.support.screens.reading import READING
from tests.support.screens.terminal import harmless

#: Acts on a terminal, turns the direction of text, and is long.
EVIL = "\x1b[2J\x9b31m[red]x[/red]\u202e<b>" + "A" * 3000
COMMANDS = (*READING, ("export", "-"), ("check", "--log"), ("import", "--undo"))
#: Whole blocks, and rows behind them that no block holds.
ROWS = BLOCK_ROWS + 300


@pytest.fixture(scope="module")
def log(tmp_path_factory, empty_store):
    path = tmp_path_factory.mktemp("hostile") / "ebbwatt.db"
    path.write_bytes(empty_store)
    rows = [interval_row(minute(T0 + 60.0 * k)) for k in range(ROWS)]
    session = SessionStart("import a.csv", T0, digest="a", version="0.1")
    notes = [(T0 + 60.0, "fuel", 10.0, "a new container")]
    write_import(path, ChargerConfig("aft locker", 110.0), session, rows, notes)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        assert db.execute("SELECT sum(rows) FROM blocks").fetchone() == (BLOCK_ROWS,)
    return path.read_bytes()


@pytest.fixture
def told(tmp_path, monkeypatch, capfdbinary, log):
    """Return what changes the log by a statement, runs every command, and gives what they say."""
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER + "[fuel]\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))

    def run(statement, *values):
        path = tmp_path / "ebbwatt.db"
        path.write_bytes(log)
        with closing(sqlite3.connect(path)) as db, db:
            assert db.execute(statement, values).rowcount
        said = []
        for command in COMMANDS:
            status = main(command)
            output = capfdbinary.readouterr()
            text = harmless(output.out) + harmless(output.err)
            assert status in (0, 1), (command, text)
            assert "Traceback" not in text
            said.append((command, status, text))
        return said

    return run


def failed(said):
    """Return the commands that did not do what they were asked for."""
    return [command for command, status, _ in said if status]


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("fittings", "fitted", "2026-99-99"), ("fittings", "fitted", -1),
        ("fittings", "label", b"\xff\x00"), ("fittings", "rated_w", float("inf")),
        ("sessions", "offset_ms", EVIL), ("sessions", "started_ms", 2**62),
        ("events", "at_ms", b"\xff\x00"), ("events", "amount", 1e300),
        ("about", "value", b"\xff"),
    ],
)  # fmt: skip
def test_a_foreign_value_in_a_small_table_is_named(told, table, column, value):
    for command, status, text in told(f"UPDATE {table} SET {column} = ?", value):
        assert status == 1, command
        assert f"table {table}, row 1: {column} holds what Ebbwatt never writes" in " ".join(
            text.split()
        )


@pytest.mark.parametrize("place", [7, ROWS], ids=["inside a block", "behind the blocks"])
@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("start_ms", EVIL), ("duration_ms", -1), ("state", 2**62), ("session", None),
        ("voltage_mean_mv", 1e300), ("temperature_cc", float("inf")), ("charge_mc", 2**62),
    ],
)  # fmt: skip
def test_one_wrong_interval_costs_no_other(told, tmp_path, column, value, place):
    said = told(f"UPDATE intervals SET {column} = ? WHERE id = ?", value, place)
    assert failed(said) == [("check", "--log")]
    history = load_history(tmp_path / "ebbwatt.db")
    kept = len(history) + history.impossible
    if column == "session":
        assert kept == ROWS - 1, "of no session, so of no charger"
    elif column == "temperature_cc":
        assert kept == len(history) == ROWS, "an infinite value is an absent one"
    else:
        assert (kept, history.impossible) == (ROWS, 1)


@pytest.mark.parametrize(
    ("column", "value"),
    [("rows", 2**62), ("rows", 1e300), ("first_id", "x"), ("charge_mc", "text"), ("state", b"x")],
)
def test_a_wrong_block_costs_nothing(told, tmp_path, column, value):
    said = told(f"UPDATE blocks SET {column} = ?", value)
    assert failed(said) == [("check", "--log")]
    history = load_history(tmp_path / "ebbwatt.db")
    assert (len(history), history.impossible) == (ROWS, 0)


def test_a_block_that_unpacks_without_end_is_not_unpacked_to_its_end(told, tmp_path):
    import tracemalloc
    import zlib

    bomb = zlib.compress(bytes(10) + b"\0" * 300_000_000, 9)
    told("UPDATE blocks SET charge_mc = ?", bomb)
    tracemalloc.start()
    try:
        history = load_history(tmp_path / "ebbwatt.db")
        highest = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(history) == ROWS
    assert highest < 50e6
