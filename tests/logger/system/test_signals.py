"""A signal that ends a command is never lost, wherever Python was when it came."""

import signal
import subprocess
import sys

import pytest

#: The signal comes inside a callback whose exceptions Python drops, as when a lock of a module is
#: cleared during an import. Nobody presses the key twice: the sleep must end.
DROPPED = """
import signal, sys, time, weakref
from logger.system.signals import leaving_cleanly

class Lock:
    pass

with leaving_cleanly():
    lock = Lock()
    cleared = weakref.ref(lock, lambda _: signal.raise_signal({number}))
    try:
        del lock
        print("went on", flush=True)
        time.sleep(60)
    except KeyboardInterrupt:
        sys.exit(130)
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_in_a_callback_of_python_ends_the_command(child_env, number):
    done = subprocess.run(
        [sys.executable, "-c", DROPPED.format(number=int(number))],
        env=child_env, capture_output=True, text=True, check=False, timeout=50,
    )  # fmt: skip
    assert done.stdout == "went on\n", "the first exception was dropped"
    assert (done.returncode, done.stderr) == (128 + number, "")


def test_other_dropped_exceptions_are_told_as_before(child_env):
    code = DROPPED.format(number=0).replace("signal.raise_signal(0)", "1 / 0").replace("60", "0")
    done = subprocess.run(
        [sys.executable, "-c", code], env=child_env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    assert "ZeroDivisionError" in done.stderr
