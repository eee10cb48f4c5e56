"""Several chargers in one log: each keeps its history and nameplate; nothing counts twice."""

import json
import shutil
import sqlite3
from contextlib import closing

import pytest

from logger.store.reader import Reader

CONFIG = """\
[charger]
label = "aft locker"
rated_w = {rated_w}
fitted = {fitted}
[battery]
capacity_ah = 220
chemistry = "agm"
[store]
path = "{store}.db"
[log]
interval_s = 60
[source]
kind = "simulated"
seed = {seed}
speed = 0
start = {fitted}
days = 60
rest_spacing_s = 300
"""
OLD = {"rated_w": 110.0, "fitted": "2022-05-18", "seed": 3}
NEW = {"rated_w": 170.0, "fitted": "2023-05-18", "seed": 4}


@pytest.fixture(scope="module")
def replaced(tmp_path_factory, run_ebbwatt):
    """Return a boat whose 110 W charger was replaced by one of 170 W after a year."""
    folder = tmp_path_factory.mktemp("boat")
    for name, which, store in (("old", OLD, "boat"), ("new", NEW, "boat"), ("spare", NEW, "spare")):
        (folder / f"{name}.toml").write_text(CONFIG.format(**which, store=store))
        run_ebbwatt("log", "--config", f"{name}.toml", cwd=folder, measured=False)
    return folder


@pytest.fixture
def boat(tmp_path, replaced):
    shutil.copytree(replaced, tmp_path, dirs_exist_ok=True)
    return tmp_path


def totals(path):
    """Return intervals, readings and energy by day of fitting."""
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute(
            "SELECT fitted, count(*), sum(readings), sum(energy_mj) FROM intervals "
            "JOIN sessions ON sessions.id = session JOIN fittings ON fittings.id = fitting "
            "GROUP BY fitted"
        ).fetchall()
    return {fitted: sums for fitted, *sums in rows}


@pytest.mark.parametrize(
    ("arguments", "which"),
    [
        (("--config", "new.toml"), NEW),
        (("--config", "new.toml", "--fitting", "1"), OLD),
        (("--config", "old.toml"), OLD),
        (("--config", "old.toml", "--fitting", "2"), NEW),
    ],
)
def test_each_charger_is_reported_by_its_own_nameplate(replaced, ebbwatt, arguments, which):
    done = ebbwatt("report", "--json", "-", *arguments, cwd=replaced)
    document = json.loads(done.stdout)
    assert document["charger"]["rated_w"] == which["rated_w"]
    assert document["charger"]["fitted"] == which["fitted"]
    assert document["observed"]["from"][:10] == which["fitted"]
    assert 0.9 < document["output"]["fraction"] < 1.1, "the simulated charger is nearly new"


def test_a_charger_that_was_never_logged_is_not_made_up(replaced, ebbwatt, tmp_path):
    """The configuration names a third charger: what the log says is said of the newest in it."""
    third = CONFIG.format(**(NEW | {"fitted": "2024-05-18"}), store=replaced / "boat")
    (tmp_path / "third.toml").write_text(third)
    done = ebbwatt("report", "--json", "-", "--config", "third.toml", cwd=tmp_path)
    assert json.loads(done.stdout)["charger"]["fitted"] == NEW["fitted"]


def test_logs_of_other_boards_merge_without_counting_twice(boat, ebbwatt):
    before = totals(boat / "boat.db")
    shutil.copyfile(boat / "boat.db", boat / "backup.db")
    for other in ("backup.db", "spare.db"):
        done = ebbwatt("import", other, "--config", "new.toml", cwd=boat)
        assert f"{other}: 0 intervals merged" in done.stdout
        assert totals(boat / "boat.db") == before
    done = ebbwatt("import", "boat.db", "--config", "spare.toml", cwd=boat)
    assert f"{before[OLD['fitted']][0]:,} intervals merged" in done.stdout
    assert totals(boat / "spare.db") == before, "the old charger came in, the new one was there"
    # With it came what was configured for it: the fitting has another number here.
    with Reader(boat / "spare.db") as reader:
        told = {f.fitted: reader.configuration(f.id) for f in reader.fittings()}
    for which in (OLD, NEW):
        assert json.loads(told[which["fitted"]])["charger"]["rated_w"] == which["rated_w"]


def test_a_replacement_keeps_the_history(boat, ebbwatt):
    with closing(sqlite3.connect(boat / "boat.db")) as db:
        assert db.execute("SELECT id, rated_w, fitted FROM fittings").fetchall() == [
            (1, 110.0, OLD["fitted"]),
            (2, 170.0, NEW["fitted"]),
        ]
    rows = ebbwatt("export", "-", "--fitting", "1", "--config", "new.toml", cwd=boat).stdout
    assert rows.count("\n") == totals(boat / "boat.db")[OLD["fitted"]][0] + 1
