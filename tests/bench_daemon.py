"""What a live reading costs the processor: ``python -m tests.bench_daemon`` prints it.

The daemon runs on a pseudo-terminal; its processor time is what the kernel counts for its threads
(/proc/PID/task/*/schedstat, nanoseconds). A benchmark, not a test: other work on the machine adds
to it, since a program that wakes once a second finds its data gone from the caches each time.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.conftest import ROOT
from tests.rigs.pty_line import PtyLine

CONFIG = """\
[charger]
rated_w = 110
[log]
interval_s = {spacing_s}
[source]
kind = "serial"
port = "charger"
description = "{description}"
"""


def processor_s(pid):
    """Return the processor time of a process and its threads so far, s."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def cost_of_a_reading_ms(rate_hz, seconds=20.0):
    """Log text lines at ``rate_hz`` for so long; return the processor time of a reading, ms."""
    description = ROOT / "fixtures/devices/text-lines.toml"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        line = PtyLine(folder / "charger")
        config = CONFIG.format(spacing_s=1.0 / rate_hz, description=description)
        (folder / "ebbwatt.toml").write_text(config)
        daemon = subprocess.Popen(
            [sys.executable, "-m", "analysis", "log"],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT), "RUNTIME_DIRECTORY": str(folder / "run")},
            stderr=subprocess.DEVNULL,
        )

        def talk(lasting_s):
            count = max(1, round(lasting_s * rate_hz))
            for k in range(count):
                line.write(b"U=13.%02d I=8.00 MODE=RUN RT=48750 T=31.5\r\n" % (k % 5))
                time.sleep(1.0 / rate_hz)
            return count

        talk(4.0)  # what starting costs is not what a reading costs
        began_s = processor_s(daemon.pid)
        count = talk(seconds)
        spent_s = processor_s(daemon.pid) - began_s
        daemon.terminate()
        daemon.wait()
        line.unplug()
    return 1e3 * spent_s / count


def main():
    """Print the cost at one reading a second and at twenty."""
    for rate_hz in (1.0, 20.0):
        print(f"{rate_hz:4.0f} readings a second: {cost_of_a_reading_ms(rate_hz):.2f} ms each")


if __name__ == "__main__":
    main()
