"""``ebbwatt log`` on a board whose wall clock the test moves; CLOCK_BOOTTIME is real.

``python -m tests.support.rigs.daemon_on_board BOOT FILE`` in the folder of the configuration. FILE
holds what the wall clock is ahead of the truth, s, and the word ``synchronised`` if it is.
"""

import asyncio
import logging
import sys
import time
from pathlib import Path

from logger.clock import SystemClock
from logger.config import find_config, load_config
from logger.daemon import Daemon


class MovedClock(SystemClock):
    def __init__(self, boot, file):
        super().__init__()
        self.boot = boot
        self.file = file

    def wall_s(self):
        return time.time() + float(self.file.read_text().split()[0])

    def boot_id(self):
        return self.boot

    def synchronised(self):
        return "synchronised" in self.file.read_text()


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    clock = MovedClock(sys.argv[1], Path(sys.argv[2]))
    sys.exit(asyncio.run(Daemon(load_config(find_config(None)), clock).run()))
