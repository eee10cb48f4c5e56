"""The configuration travels in the database: a backup alone is enough for a report."""

import json
import shutil
import sqlite3

import pytest

from tests.support.empty import put_empty

CONFIG = """\
[boat]
name = "Dabchick"
[charger]
label = "aft locker"
rated_w = 110
fitted = 2024-04-18
design_life_h = [7000, 8000]
replace_below = 0.55
[battery]
capacity_ah = 220
chemistry = "gel"
[fuel]
[store]
path = "ebbwatt.db"
"""
T0 = 1_750_000_000


@pytest.fixture
def boat(tmp_path, ebbwatt):
    folder = tmp_path / "aboard"
    folder.mkdir()
    (folder / "ebbwatt.toml").write_text(CONFIG + '[source]\nkind = "replay"\npath = "a.csv"\n')
    rows = "".join(
        f"{T0 + 10 * k},{13.2},{8.0 if k % 2160 < 1080 else 0.0},"
        f"{'running' if k % 2160 < 1080 else 'standby'}\n"
        for k in range(8640)
    )
    (folder / "a.csv").write_text("time,voltage_v,current_a,state\n" + rows)
    put_empty(folder / "ebbwatt.db")
    return folder


def document(ebbwatt, *options, cwd):
    done = ebbwatt("report", "--json", "-", *options, cwd=cwd)
    return json.loads(done.stdout), done.stderr


@pytest.mark.parametrize("how", ["import", "log"])
def test_a_backup_alone_is_enough_for_the_same_report(boat, tmp_path, ebbwatt, how):
    ebbwatt(*(("import", "a.csv") if how == "import" else ("log",)), cwd=boat)
    ebbwatt("backup", tmp_path / "stick.db", cwd=boat)
    told, said = document(ebbwatt, cwd=boat)
    assert "carries" not in said
    shutil.rmtree(boat)
    alone, said = document(ebbwatt, "--config", tmp_path / "stick.db", cwd=tmp_path)
    assert alone == told
    assert alone["charger"] == {"label": "aft locker", "rated_w": 110.0, "fitted": "2024-04-18"}
    assert "stick.db: using the configuration that it carries" in said
    shown = ebbwatt("check", tmp_path / "stick.db", cwd=tmp_path).stdout
    assert "replacement limit 55 %, design hours 7000 to 8000 h" in shown


def test_a_bare_database_serves_where_there_is_no_configuration_and_one_beside_it_wins(
    boat, ebbwatt
):
    ebbwatt("import", "a.csv", cwd=boat)
    (boat / "ebbwatt.toml").rename(boat / "mine.toml")
    bare, said = document(ebbwatt, cwd=boat)
    assert "ebbwatt.db: using the configuration that it carries" in said
    (boat / "mine.toml").write_text(CONFIG.replace("110", "120"))
    mine, said = document(ebbwatt, "--config", "mine.toml", cwd=boat)
    assert (bare["charger"]["rated_w"], mine["charger"]["rated_w"]) == (110.0, 120.0)
    assert said == ""


def test_nothing_of_the_board_travels_and_a_change_replaces_it(boat, ebbwatt):
    ebbwatt("import", "a.csv", cwd=boat)
    with (boat / "ebbwatt.toml").open("a") as file:
        file.write("[sensor]\ngain_uncertainty = 0.01\n")
    ebbwatt("log", cwd=boat)
    with sqlite3.connect(boat / "ebbwatt.db") as connection:
        (text,) = connection.execute(
            "SELECT value FROM about WHERE key = 'configuration'"
        ).fetchone()
    tables = json.loads(text)
    assert set(tables) == {"boat", "charger", "battery", "fuel", "sensor"}
    assert tables["sensor"] == {"gain_uncertainty": 0.01}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "carries no configuration"),
        ("[" * 100_000, "cannot be read"),
        ('{"charger": 3}', "cannot be read"),
        ('{"charger": {"rated_w": -5}}', "rated_w"),
        ('{"charger": {"rated_w": 110, "fitted": "soon"}}', "cannot be read"),
    ],
)
def test_a_database_without_a_good_one_is_one_line(boat, ebbwatt, text, message):
    ebbwatt("import", "a.csv", cwd=boat)
    with sqlite3.connect(boat / "ebbwatt.db") as connection:
        connection.execute("UPDATE about SET value = ? WHERE key = 'configuration'", (text,))
    done = ebbwatt("report", "--config", "ebbwatt.db", cwd=boat, status=2)
    assert message in done.stderr.splitlines()[-1]


@pytest.mark.parametrize("command", ["report", "check"])
def test_a_database_of_another_program_is_called_so(tmp_path, ebbwatt, command):
    with sqlite3.connect(tmp_path / "other.sqlite") as connection:
        connection.execute("CREATE TABLE a (x)")
    done = ebbwatt(command, "--config", "other.sqlite", cwd=tmp_path, status=2)
    said = "other.sqlite: is a database of another program; name another file"
    assert done.stderr.splitlines() == [f"ebbwatt: {said}"]


def test_what_a_later_version_added_is_left_out(boat, ebbwatt):
    ebbwatt("import", "a.csv", cwd=boat)
    later = {"charger": {"rated_w": 90, "colour": "grey"}, "sails": {"main": 1}}
    with sqlite3.connect(boat / "ebbwatt.db") as connection:
        connection.execute(
            "UPDATE about SET value = ? WHERE key = 'configuration'", (json.dumps(later),)
        )
    told, _ = document(ebbwatt, "--config", "ebbwatt.db", cwd=boat)
    assert told["charger"]["label"] == "aft locker", "of the log: the configuration names none"
