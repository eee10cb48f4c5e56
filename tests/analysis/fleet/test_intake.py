"""What boats hand in is filed under its boat, and hostile files are refused by name."""

import json
import os
import re
import shutil
import socket
import sqlite3
from pathlib import Path

import pytest

from analysis import cli
from analysis.fleet.folder import Fleet, Key
from analysis.fleet.intake import Outcome, take
from tests.support.boats.fleet_boats import change, store_id, write_boat

RUNS = 12


@pytest.fixture
def boat(tmp_path, empty_store):
    return write_boat(tmp_path / "stick" / "tern.db", empty_store, runs=RUNS)


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet", make=True)


def one(fleet, path, **keywords):
    (taken,) = take(fleet, [path], **keywords)
    return taken


def everything(fleet):
    return {
        str(p.relative_to(fleet.path)): p.read_bytes()
        for p in sorted(fleet.path.rglob("*"))
        if p.is_file() and p.name != ".fleet.lock"
    }


def test_a_database_is_filed_by_its_id_and_fitting(fleet, boat):
    before = boat.read_bytes()
    assert one(fleet, boat).outcome is Outcome.TAKEN
    key = Key(store_id(boat), 1)
    assert fleet.boats() == [fleet.folder(key)]
    assert fleet.folder(key).parent.name == key.store_id[:2]
    assert sorted(p.name for p in fleet.folder(key).iterdir()) == ["boat.toml", "log.db"]
    assert boat.read_bytes() == before
    assert not list(fleet.path.glob(".taking-*"))
    # The filed copy opens without files beside it.
    with sqlite3.connect(f"file:{fleet.folder(key) / 'log.db'}?mode=ro", uri=True) as log:
        assert log.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert log.execute("SELECT count(*) FROM intervals").fetchone()[0] == RUNS * 39
    log.close()
    assert one(fleet, boat).outcome is Outcome.KNOWN


def test_the_later_of_two_copies_wins(fleet, boat, tmp_path, empty_store):
    early = tmp_path / "early" / "tern.db"
    early.parent.mkdir()
    for file in boat.parent.iterdir():
        shutil.copy(file, early.parent)
    write_boat(boat, empty_store, runs=RUNS + 3, first=RUNS * 39)
    assert one(fleet, early).outcome is Outcome.TAKEN
    place = fleet.boats()[0] / "log.db"
    old = place.read_bytes()
    # The newer one is damaged: the older stays.
    broken = tmp_path / "broken.db"
    content = bytearray(boat.read_bytes())
    content[4096 * 2 : 4096 * 4] = os.urandom(4096 * 2)
    broken.write_bytes(content)
    shutil.copy(boat.with_suffix(".toml"), broken.with_suffix(".toml"))
    assert one(fleet, broken).outcome is Outcome.REFUSED
    assert place.read_bytes() == old
    assert one(fleet, boat).outcome is Outcome.TAKEN
    new = place.read_bytes()
    assert new != old
    late = one(fleet, early)
    assert late.outcome is Outcome.KNOWN
    assert "older than what is filed" in late.words
    assert place.read_bytes() == new


def _link(path, boat):
    path.symlink_to(boat)


def _pipe(path, _):
    os.mkfifo(path)


def _socket(path, _):
    with socket.socket(socket.AF_UNIX) as end:
        end.bind(str(path))


def _with(statement):
    def make(path, boat):
        shutil.copy(boat, path)
        shutil.copy(boat.with_suffix(".toml"), path.with_suffix(".toml"))
        change(path, statement)

    return make


def _cut(path, boat):
    path.write_bytes(boat.read_bytes()[:9000])


def _foreign(path, _):
    change(path, "CREATE TABLE songs (name)")


def _renamed_view(path, boat):
    _with("ALTER TABLE intervals RENAME TO hidden")(path, boat)
    change(path, "CREATE VIEW intervals AS SELECT * FROM hidden")


HOSTILE = {
    "link": (_link, "is a link"),
    "pipe": (_pipe, "no plain file"),
    "socket": (_socket, "cannot be read|no plain file"),
    "folder": (
        lambda path, _: path.mkdir(),
        r"is a folder; name the files in it, such as .*/\*\.db",
    ),
    "cut": (_cut, "is damaged"),
    "foreign": (_foreign, "another program"),
    "text": (lambda path, _: path.write_text("Dear fitter"), "neither a database nor"),
    "nothing": (lambda path, _: path.touch(), "neither a database nor"),
    "view": (_with("CREATE VIEW v AS SELECT 1"), "a view that is not Ebbwatt's: v"),
    "view for a table": (_renamed_view, "not Ebbwatt's"),
    "trigger": (
        _with("CREATE TRIGGER t AFTER INSERT ON events BEGIN DELETE FROM intervals; END"),
        "a trigger that is not Ebbwatt's: t",
    ),
    "trigger of our name": (
        lambda path, boat: (
            _with("DROP TRIGGER blocks_delete")(path, boat),
            change(
                path,
                "CREATE TRIGGER blocks_delete AFTER DELETE ON intervals "
                "BEGIN DELETE FROM events; END",
            ),
        ),
        "a trigger that is not Ebbwatt's: blocks_delete",
    ),
    "virtual table": (
        _with("CREATE VIRTUAL TABLE raw2 USING fts5(a)"),
        "a table that is not Ebbwatt's",
    ),
    "computed column": (
        _with("ALTER TABLE about ADD COLUMN c AS (upper(key)) VIRTUAL"),
        "computed column",
    ),
    "index on an expression": (
        _with("CREATE INDEX i ON events (upper(text))"),
        "an index that is not Ebbwatt's: i",
    ),
    "path for an id": (_with("UPDATE about SET value = '../../../etc/x'"), "no id of its own"),
    "bytes for an id": (
        _with("UPDATE about SET value = x'00ff'"),
        "table about, row 1: value holds what Ebbwatt never writes",
    ),
    "time of another age": (_with("UPDATE intervals SET start_ms = 9e17"), "damaged|its times"),
    "text for a time": (_with("UPDATE intervals SET start_ms = 'soon'"), "damaged|its times"),
    "newer program": (_with("PRAGMA user_version = 99"), "newer Ebbwatt"),
    "no log": (_with("DELETE FROM intervals"), "holds no log"),
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_hostile_file_is_refused_by_name_and_nothing_else_is_touched(
    kind, fleet, boat, tmp_path, capsys
):
    make, why = HOSTILE[kind]
    assert one(fleet, boat).outcome is Outcome.TAKEN
    before = everything(fleet)
    path = tmp_path / "incoming" / "hostile.db"
    path.parent.mkdir()
    make(path, boat)
    good = tmp_path / "stick" / "tern.db"
    status = cli.main(["fleet", "take", str(fleet.path), str(path), str(good)])
    said = capsys.readouterr().out.splitlines()
    assert status == 1
    assert said[0].startswith(f"{path}: refused: ")
    assert re.search(why, said[0]), said[0]
    assert "is filed already" in said[1]
    assert everything(fleet) == before


def test_a_file_above_the_limit_is_refused(fleet, boat):
    assert one(fleet, boat, most_bytes=boat.stat().st_size).outcome is Outcome.TAKEN
    refused = one(fleet, boat, most_bytes=boat.stat().st_size - 1)
    assert refused.outcome is Outcome.REFUSED
    assert "larger than the limit" in refused.words


def test_a_device_is_refused(fleet):
    assert "no plain file" in one(fleet, Path("/dev/zero")).words


def test_a_log_that_is_still_written_is_refused(fleet, boat, tmp_path):
    with sqlite3.connect(boat) as writer:
        writer.execute("INSERT INTO events (at_ms, kind) VALUES (1, 'note')")
        writer.commit()
        live = tmp_path / "live.db"
        shutil.copy(boat, live)
        shutil.copy(f"{boat}-wal", f"{live}-wal")
        refused = one(fleet, live)
    writer.close()
    assert refused.outcome is Outcome.REFUSED
    assert "ebbwatt backup" in refused.words


def test_secrets_and_source_of_a_configuration_stay_behind(fleet, boat):
    with boat.with_suffix(".toml").open("a") as file:
        file.write(
            '\n[source]\nkind = "replay"\npath = "/etc/passwd"\n'
            '\n[boat]\nname = "Tern \\"II\\" \\\\ \\u00e9"\n'
        )
    assert one(fleet, boat).outcome is Outcome.TAKEN
    kept = (fleet.boats()[0] / "boat.toml").read_text(encoding="utf-8")
    assert "passwd" not in kept
    from logger.config import load_config

    again = load_config(fleet.boats()[0] / "boat.toml")
    assert again.boat.name == 'Tern "II" \\ \u00e9'
    assert again.charger == load_config(boat.with_suffix(".toml")).charger


def test_a_configuration_that_does_not_hold_is_told(fleet, boat):
    boat.with_suffix(".toml").write_text('[charger]\nlabel = "x"\n')
    refused = one(fleet, boat)
    assert refused.outcome is Outcome.REFUSED
    assert "tern.toml" in refused.words
    assert "rated_w" in refused.words
    boat.with_suffix(".toml").unlink()
    assert "carries no configuration" in one(fleet, boat).words
    assert fleet.boats() == []


def test_a_document_is_filed_like_a_database(fleet, boat, tmp_path, capsys):
    config = boat.with_suffix(".toml")
    with config.open("a") as file:
        file.write('\n[store]\npath = "tern.db"\n')
    target = tmp_path / "tern.json"
    assert cli.main(["report", "--config", str(config), "--json", str(target)]) == 0
    capsys.readouterr()
    document = json.loads(target.read_text())
    assert document["store"] == {"id": store_id(boat), "fitting": 1}
    assert one(fleet, target).outcome is Outcome.TAKEN
    assert (fleet.folder(Key(store_id(boat), 1)) / "document.json").exists()
    for key, value, why in (
        ("store", None, "names no store"),
        ("store", {"id": "../..", "fitting": 1}, "is damaged"),
        ("store", {"id": store_id(boat), "fitting": True}, "is damaged"),
        ("observed", {"to": "yesterday"}, "is damaged"),
        ("schema", "other/1", "'schema' is 'other/1'; accepted: 'ebbwatt/assessment/1'"),
    ):
        target.write_text(json.dumps(document | {key: value}))
        refused = one(fleet, target)
        assert refused.outcome is Outcome.REFUSED
        assert why in refused.words
    target.write_text("[" * 100_000)
    assert one(fleet, target).outcome is Outcome.REFUSED
    target.write_text('{"a":' * 100_000)
    assert one(fleet, target).outcome is Outcome.REFUSED


def test_a_folder_of_other_things_is_no_fleet(tmp_path, boat, capsys):
    assert cli.main(["fleet", "take", str(boat.parent), str(boat)]) == 2
    assert "no folder of a fleet" in capsys.readouterr().err
