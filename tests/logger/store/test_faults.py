"""Faults of the log itself are counted in the store, and report and watch say so."""

import signal
import sqlite3
from contextlib import closing

import pytest

from analysis.show.tables import faults_in_words
from logger.refusals import Refusals
from logger.store.events import list_events
from logger.store.faults import RefusedTime
from tests.support.rigs.live import QUICK, live

CONFIG = QUICK.format(charger="")


@pytest.fixture
def place(tmp_path):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG, encoding="utf-8")
    return tmp_path


def killed(folder, start_daemon, session):
    daemon = start_daemon(folder)
    live(folder, 5, session=session)
    daemon.kill()
    daemon.wait(200)


def test_a_session_that_did_not_end_is_a_power_cut_or_a_killed_logger(place, start_daemon, ebbwatt):
    killed(place, start_daemon, 1)
    killed(place, start_daemon, 2)
    # A power cut is told by another boot: give the session that was cut another boot id.
    with closing(sqlite3.connect(place / "ebbwatt.db")) as db, db:
        db.execute("UPDATE sessions SET boot_id = 'another' WHERE id = 2")
    daemon = start_daemon(place)
    live(place, 5, session=3)
    daemon.send_signal(signal.SIGTERM)
    _, said = daemon.communicate(timeout=200)
    assert daemon.returncode == 0
    assert said.count("the power was cut") == 1
    daemon = start_daemon(place)
    live(place, 5, session=4)
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(200) == 0
    events = list_events(place / "ebbwatt.db")
    assert [e.kind for e in events] == ["logger_killed", "power_cut"], "a clean end is no fault"
    with closing(sqlite3.connect(place / "ebbwatt.db")) as db:
        stored = db.execute(
            "SELECT e.session, e.at_ms, max(i.start_ms + i.duration_ms) FROM events e "
            "LEFT JOIN intervals i ON i.session = e.session GROUP BY e.id ORDER BY e.id"
        ).fetchall()
    assert [row[0] for row in stored] == [1, 2], "each belongs to the session that was cut"
    assert all(at == end for _, at, end in stored if end is not None)
    for command in (["report"], ["watch", "--once"]):
        words = " ".join(ebbwatt(*command, cwd=place).stdout.split())
        assert "1 power cut, 1 sudden end of the logger" in words


def test_refused_data_is_counted_in_time(place, start_daemon):
    (place / "ebbwatt.toml").write_text(
        CONFIG + "[plausible]\nvoltage_v = [0.0, 1.0]\n", encoding="utf-8"
    )
    daemon = start_daemon(place)
    snapshot = live(place, 20)
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(200) == 0
    (event,) = list_events(place / "ebbwatt.db")
    assert event.kind == "refused"
    assert event.text.startswith("voltage_v above 1 V (")
    assert event.amount >= 0.1 * (snapshot.readings - 2)
    assert "refused data" in faults_in_words([event])


def test_refusals_are_gathered_for_an_hour_and_never_exceed_the_time_that_passed():
    noted = []
    refusals = Refusals()
    time = RefusedTime(refusals, 1.0, lambda s, why: noted.append((s, why)), live=True)
    for second in range(3 * 3600):
        if second < 840:
            refusals.count("no key and value")
        elif second > 7200:
            for _ in range(5):  # a wrong speed makes many bad lines a second
                refusals.count("garbled")
        time.tick(float(second))
    time.tick(3.0 * 3600.0, last=True)
    assert noted == [(840.0, "no key and value (840 x)"), (3600.0, "garbled (17995 x)")]
