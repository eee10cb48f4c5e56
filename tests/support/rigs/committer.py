"""Commits without end, and says after each commit how many intervals are safe by then.

``python -m tests.support.rigs.committer PATH FIRST`` writes intervals numbered from FIRST, a few a
commit.
"""

import sys
from pathlib import Path

from logger.config import ChargerConfig
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.boats.intervals import minute

#: Intervals a commit.
BATCH = 3
#: Unix time of interval 0; each lasts a minute.
BEGIN_S = 1.7e9


def main():
    path, number = Path(sys.argv[1]), int(sys.argv[2])
    with Writer(path, ChargerConfig("aft locker", 110.0), SessionStart("rig", BEGIN_S)) as writer:
        while True:
            for _ in range(BATCH):
                writer.add(minute(BEGIN_S + 60.0 * number, charge_c=480.0 + number))
                number += 1
            writer.commit()
            print(number, flush=True)


if __name__ == "__main__":
    main()
