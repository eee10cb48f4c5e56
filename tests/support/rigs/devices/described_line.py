"""A line behind which a charger of text lines is described, and what speaks on it."""

import os
import threading
import time

from tests.conftest import ROOT
from tests.support.rigs.devices.pty_line import PtyLine

SOURCE = """
[source]
kind = "serial"
port = "charger"
description = "device.toml"
"""


def described_line(tmp_path):
    """Yield a folder with a configuration for a line of text, and the line."""
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n" + SOURCE)
    (tmp_path / "device.toml").write_bytes((ROOT / "fixtures/devices/text-lines.toml").read_bytes())
    line = PtyLine(tmp_path / "charger")
    yield tmp_path, line
    line.unplug()


def feed(line, data, every_s=0.05, times=400):
    """Write data again and again in a thread until the line is unplugged."""

    def run():
        for _ in range(times):
            try:
                os.write(line.master, data)
            except OSError:
                return
            time.sleep(every_s)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def probe(ebbwatt, place, data, *options):
    folder, line = place
    thread = feed(line, data)
    done = ebbwatt("probe", "--seconds", "3", *options, cwd=folder)
    line.unplug()
    thread.join()
    return done.stdout
