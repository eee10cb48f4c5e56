"""``ebbwatt log`` on a disk that does not answer: a commit hangs for as long as FILE exists.

``python -m tests.support.rigs.daemon_stuck_disk FILE`` in the folder of the configuration.
"""

import sys
import time
from pathlib import Path

import logger.daemon
from logger.config import find_config, load_config
from logger.store.writer import Writer


class StuckWriter(Writer):
    def commit(self):
        while Path(sys.argv[1]).exists():
            time.sleep(0.05)
        super().commit()


if __name__ == "__main__":
    logger.daemon.Writer = StuckWriter
    sys.exit(logger.daemon.run(load_config(find_config(None))))
