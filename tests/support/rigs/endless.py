"""Feeds invented readings through recorder and writer; prints memory, open files and objects.

``python -m tests.support.rigs.endless CONFIG COUNT COUNT ...`` prints a line after each count of
readings.
"""

import sys
from pathlib import Path

from logger.config import load_config
from logger.reading import OperatingState, Reading
from logger.recorder import Recorder
from logger.refusals import Refusals
from logger.store.records import SessionStart
from logger.store.writer import Writer


def resident_kib():
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(x for x in status.splitlines() if x.startswith("VmRSS")).split()[1])


def readings():
    """Yield a reading a second: three hours of running, three of rest, three of hurried changes.

    No charger starts every ten seconds, but so the first intervals are packed within a day.
    """
    second = 0
    while True:
        running = second // (5 if second // 10800 % 3 == 2 else 10800) % 2 == 0
        state = OperatingState.RUNNING if running else OperatingState.STANDBY
        ripple = second * 7 % 11 / 100.0
        yield Reading(float(second), 12.6 + ripple, 8.0 + ripple if running else 0.0, state)
        second += 1


def main():
    config = load_config(Path(sys.argv[1]))
    counts = [int(count) for count in sys.argv[2:]]
    now_s = 0.0
    session = SessionStart("rig", 0.0, boot_id="rig", offset_s=1.7e9, offset_quality=1)
    refusals = Refusals()
    with Writer(config.store.path, config.charger, session) as writer:
        # The clock by which commits are due runs with the readings.
        recorder = Recorder(config, writer, refusals, lambda: now_s)
        for number, reading in enumerate(readings(), start=1):
            now_s = reading.time_s
            recorder.take(reading)
            recorder.tick()
            if number % 1000 == 0:
                refusals.count(f"bad line {number}", b"\x00" * 200)
            if number in counts:
                files = len(list(Path("/proc/self/fd").iterdir()))
                print(resident_kib(), files, sys.getallocatedblocks(), flush=True)
            if number == counts[-1]:
                return


if __name__ == "__main__":
    main()
