"""What a peer can make the logger print: little, and nothing that moves a cursor."""

import logging
import os
import random
import signal
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.refusals import LONGEST_LINE, one_line
from logger.system.journal import MOST_LINES, Bounded
from logger.system.snapshot import read_snapshot, snapshot_path
from tests.support.configurations import SERIAL
from tests.support.rigs.devices.pty_line import PtyLine

pytestmark = pytest.mark.waits


@given(st.text())
def test_no_control_character_gets_through(text):
    shown = one_line(text)
    assert shown.isprintable()
    assert len(shown) <= 10 * LONGEST_LINE


def test_an_escape_is_shown_and_a_path_stays_readable():
    assert one_line("a\x1b[2Jb\nc\u202ed /Sch\u00e4re") == "a\\x1b[2Jb\\nc\\u202ed /Sch\u00e4re"
    assert len(one_line("x" * 1000)) == LONGEST_LINE


def test_a_flood_is_bounded_and_counted():
    clock = [0.0]
    bounded = Bounded(now_s=lambda: clock[0])

    def told(text):
        record = logging.LogRecord("t", logging.INFO, "f", 1, "%s", (text,), None)
        return record.getMessage() if bounded.filter(record) else None

    through = [line for k in range(1000) if (line := told(f"line {k}"))]
    assert len(through) == MOST_LINES
    clock[0] = 61.0
    assert told("and then") == "and then (990 lines before this one were left out)"
    assert told("more") == "more"


def test_a_megabyte_of_rubbish_of_all_kinds_makes_a_few_harmless_lines(tmp_path, start_daemon):
    rng = random.Random(5)
    kinds = [
        lambda: rng.randbytes(rng.randrange(200)) + b"\n",
        lambda: b"U=\x1b[2J%d I=%d MODE=\x1b]0;owned\x07 RT=1\n" % (rng.randrange(20), 3),
        lambda: b"U=13.%d I=8 MODE=" % rng.randrange(9) + rng.randbytes(9).hex().encode() + b"\n",
        lambda: b"U=1e999 I=nan MODE=RUN RT=-1\n",
        lambda: b"=" * rng.randrange(400) + b"\r\n",
        lambda: b"U=13,5 %s=8\n" % rng.randbytes(4).hex().encode(),
        lambda: b"\x85\x9b31m U=13.2\n",
    ]
    line = PtyLine(tmp_path / "charger")
    (tmp_path / "ebbwatt.toml").write_text(SERIAL.format(timing=""))
    daemon = start_daemon(tmp_path)
    end_s = time.monotonic() + 200.0
    while read_snapshot(snapshot_path(tmp_path / "ebbwatt.db")) is None:
        assert time.monotonic() < end_s
        time.sleep(0.05)
    sent, began_s = 0, time.monotonic()
    os.set_blocking(line.master, True)
    while sent < 1_000_000:
        rubbish = b"".join(rng.choice(kinds)() for _ in range(20))
        sent += os.write(line.master, rubbish)
    lasted_s = time.monotonic() - began_s
    daemon.send_signal(signal.SIGTERM)
    _, told = daemon.communicate(timeout=200)
    assert daemon.returncode == 0
    assert all(text.isprintable() for text in told.splitlines())
    assert "\x1b" not in told
    assert len(told.splitlines()) <= MOST_LINES + MOST_LINES * lasted_s / 60.0
    assert "refused" in told
