"""``ebbwatt watch`` over hours: what is read and assessed how often, and what it sends."""

import itertools
import os
from dataclasses import replace
from datetime import UTC

import pytest

from analysis.show.dashboard.facts import Situation
from analysis.show.dashboard.watch import Watch, dated, moment_now, recent_history
from logger.config import load_config
from logger.store.reader import Reader
from logger.system.snapshot import Snapshot
from tests.support.configurations import AFT_LOCKER
from tests.support.screens.situations import facts_of


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("config") / "ebbwatt.toml"
    path.write_text(AFT_LOCKER + "[battery]\ncharge_ceiling_v = 14.2\n[fuel]\n")
    return load_config(path)


@pytest.fixture
def boat(tmp_path, ebbwatt):
    """Return a folder with a configuration and a short log."""
    rows = [f"{1700000000 + 30 * k},13.1,8.0,running" for k in range(600)]
    (tmp_path / "log.csv").write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER + "[log]\ninterval_s = 30\n")
    ebbwatt("import", "log.csv", cwd=tmp_path)
    return tmp_path


def test_once_prints_one_picture(ebbwatt, boat):
    text = ebbwatt("watch", "--once", cwd=boat).stdout
    assert "NOT LOGGING" in text
    assert "aft locker" in text
    assert "\x1b" not in text


def test_before_there_is_a_log(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    text = ebbwatt("watch", "--once", "--ascii", cwd=tmp_path).stdout
    assert "NO LOG YET" in text
    assert text.isascii()


def hours_of_watching(boat, monkeypatch, hours, situation=None):
    """Watch for hours of invented time; return how often the store was read, and assessed."""
    watch = Watch(load_config(boat / "ebbwatt.toml"))
    reads, assessed, begin = [], [], moment_now(UTC)
    monkeypatch.setattr(
        "analysis.show.dashboard.watch.Reader", lambda path: reads.append(1) or Reader(path)
    )
    monkeypatch.setattr(watch, "assess", lambda: assessed.append(1))
    if situation is not None:
        monkeypatch.setattr("analysis.show.dashboard.watch.collect", situation)
    for second in range(int(hours * 3600)):
        if second % 60 == 0:  # the logger commits once a minute
            os.utime(boat / "ebbwatt.db", times=(second, second))
        watch.facts(replace(begin, now_s=begin.now_s + second, boottime_s=float(second)))
    return len(reads), len(assessed)


def test_an_hour_of_watching_reads_the_log_once_a_minute_and_assesses_once(boat, monkeypatch):
    reads, assessed = hours_of_watching(boat, monkeypatch, 1.0)
    assert 60 <= reads <= 62
    assert assessed == 1


def test_a_charger_that_starts_and_stops_all_day_is_not_assessed_all_day(boat, monkeypatch, config):
    base, calls = facts_of(config, "producing"), itertools.count()

    def flapping(*_):
        on = next(calls) // 30 % 2 == 0
        return replace(base, situation=Situation.PRODUCING if on else Situation.RESTING)

    _, assessed = hours_of_watching(boat, monkeypatch, 1.0, flapping)
    assert 5 <= assessed <= 7


def test_a_board_in_1970_counts_its_days_from_the_end_of_the_log(boat):
    watch = Watch(load_config(boat / "ebbwatt.toml"))
    facts = watch.facts(replace(moment_now(UTC), now_s=3600.0))
    # 600 readings of 104.8 W from 22:13:20 UTC on a Tuesday: 3.2 h of it on the Wednesday.
    assert facts.now_s == 1700000000 + 599 * 30
    assert [day.name for day in facts.week][-2:] == ["Tu", "We"]
    assert facts.today_kwh == pytest.approx(0.1048 * (599 * 30 - 6400) / 3600.0, rel=1e-3)


def test_an_old_recording_that_was_imported_last_is_not_loaded(boat, ebbwatt):
    rows = [f"{1600000000 + 3600 * k},13.1,0.0,standby" for k in range(2000)]
    text = "time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n"
    (boat / "old.csv").write_text(text, encoding="utf-8")
    ebbwatt("import", "old.csv", cwd=boat)
    recent = recent_history(boat / "ebbwatt.db", 1700000000.0 + 3600.0)
    assert recent.start_s.min() >= 1700000000.0 - 8.0 * 86400.0
    assert recent.end_s.max() > 1700000000.0


def test_the_date_is_the_loggers_where_the_board_has_another(boat):
    moment = moment_now(UTC)
    live = Snapshot(
        moment.boottime_s - 2.0, 1700100000.0, moment.boot_id, 1, "port", "live", "", None, None
    )
    assert dated(replace(moment, now_s=3600.0), live, None).now_s == pytest.approx(1700100002.0)
    for other in (replace(live, boot_id="other"), replace(live, boottime_s=0.0)):
        assert dated(moment, other, None) == moment, "of another boot, or long ago"


def test_a_verdict_that_cannot_be_renewed_is_withdrawn(boat, monkeypatch):
    watch = Watch(load_config(boat / "ebbwatt.toml"))
    moment = moment_now(UTC)
    watch.assess_once(moment)
    assert watch.facts(moment).assessment is not None

    def fail(*_):
        raise ZeroDivisionError

    monkeypatch.setattr("analysis.assessment.case.assess", fail)
    watch.assess_once(moment)
    facts = watch.facts(moment)
    assert facts.assessment is None
    assert "cannot be assessed (ZeroDivisionError)" in facts.assessment_note
    monkeypatch.undo()
    (boat / "ebbwatt.db").rename(boat / "gone.db")
    watch.assess_once(moment)
    assert "no such database yet" in watch.facts(moment).assessment_note
