"""A database of two ended sessions, and the ways in which a card damages it."""

import random
import sqlite3
from contextlib import closing
from datetime import date

from logger.config import ChargerConfig
from tests.support.boats.intervals import minute
from tests.support.rigs.live import QUICK

CHARGER = ChargerConfig("aft locker", 110.0, date(2021, 4, 18))
#: Intervals in it.
COUNT = 6000
CONFIG = QUICK.format(charger="fitted = 2021-04-18\n")


def interval(k, start_s=None):
    return minute(
        60.0 * k if start_s is None else start_s,
        charge_c=480.0 + k / 100,
        energy_j=6300.0 + k / 10,
    )


def everything(path):
    with closing(sqlite3.connect(path)) as db:
        return {row[0]: row[1:] for row in db.execute("SELECT * FROM intervals ORDER BY id")}


def overwrite(path, at, data):
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def first_difference(sound, damaged):
    """Return the first byte that was damaged; in the middle of what is left of a shorter file."""
    pairs = enumerate(zip(sound, damaged, strict=False))
    return next((k for k, (a, b) in pairs if a != b), len(damaged) // 2)


def garble(path):
    size = path.stat().st_size
    overwrite(path, size // 2, random.Random(5).randbytes(40_000))


def truncate(path):
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size * 2 // 3 + 1000)


def zero_header(path):
    overwrite(path, 0, bytes(100))


def zero_first_pages(path):
    overwrite(path, 0, bytes(40_000))


def zero_middle(path):
    overwrite(path, path.stat().st_size // 2, bytes(40_000))


def zero_all(path):
    path.write_bytes(bytes(path.stat().st_size))
