"""Fixtures of the tests that damage a database."""

import shutil

import pytest

from logger.store.events import add_event
from logger.store.records import SessionStart
from logger.store.repair.salvage import whole_check
from logger.store.writer import Writer
from tests.support.rigs.damage import CHARGER, CONFIG, COUNT, everything, interval


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a database of two ended sessions and an event, and its intervals by number."""
    path = tmp_path_factory.mktemp("whole") / "ebbwatt.db"
    for boot, first in (("a", 0), ("b", COUNT // 2)):
        start = SessionStart("port", 60.0 * first, boot_id=boot, offset_s=1.7e9, offset_quality=2)
        with Writer(path, CHARGER, start) as writer:
            for k in range(first, first + COUNT // 2):
                writer.add(interval(k))
                if k % 1500 == 0:
                    writer.commit()
            writer.commit()
            writer.close(60.0 * (first + COUNT // 2))
    add_event(path, "note", time_s=1.7e9, now_s=1.8e9, text="hose renewed")
    whole_check(path)
    return path, everything(path)


@pytest.fixture
def place(whole, tmp_path):
    path = tmp_path / "ebbwatt.db"
    shutil.copy(whole[0], path)
    (tmp_path / "ebbwatt.toml").write_text(CONFIG, encoding="utf-8")
    return path
