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
        time.sleep(600)  # the exception was dropped
    except KeyboardInterrupt:
        sys.exit(130)
"""


#: On a busy machine the main thread loses the processor when it starts another, here as Python does
#: it and as threading does.
BUSY = """
import _thread, threading, time
start, wait = _thread.start_new_thread, threading.Event.wait

def late(usual, *given):
    done = usual(*given)
    if threading.current_thread() is threading.main_thread():
        time.sleep(0.3)
    return done

_thread.start_new_thread = lambda *given: late(start, *given)
threading.Event.wait = lambda *given: late(wait, *given)
"""


@pytest.mark.parametrize("first", ["", BUSY], ids=["", "busy"])
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_in_a_callback_of_python_ends_the_command(child_env, number, first):
    done = subprocess.run(
        [sys.executable, "-c", first + DROPPED.format(number=int(number))],
        env=child_env, capture_output=True, text=True, check=False, timeout=250,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (128 + number, "")


def test_other_dropped_exceptions_are_told_as_before(child_env):
    code = DROPPED.format(number=0).replace("signal.raise_signal(0)", "1 / 0").replace("600", "0")
    done = subprocess.run(
        [sys.executable, "-c", code], env=child_env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, "Python drops what a callback raises"
    assert "ZeroDivisionError" in done.stderr
