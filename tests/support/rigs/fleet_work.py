"""Work for the runners of a fleet: some of it ends its process. Names say what happens."""

import os
import signal
import time
from pathlib import Path


def work(name):
    """Return a result; 'dies' kills its process each time, 'once PATH' only the first time."""
    kind, _, rest = name.partition(" ")
    if kind == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if kind == "once" and not Path(rest).exists():
        Path(rest).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if kind == "raises":
        raise ValueError(rest)
    if kind == "tells":
        Path(rest).write_text(str(os.getpid()))
        time.sleep(300)
    if kind == "slow":
        time.sleep(float(rest))
    return name.upper()
