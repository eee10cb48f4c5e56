"""Freed memory that a short command keeps."""

import ctypes
import platform
import subprocess
import sys

import pytest

from analysis.history.memory import keep_freed_memory
from tests.support.missing import unable

#: Makes and drops columns as a report does; prints how often memory was asked of the system anew.
COLUMNS = """
import resource, sys
import numpy as np
from analysis.history.memory import keep_freed_memory
if sys.argv[1] == "kept":
    keep_freed_memory()
for turn in range(12):
    if turn == 2:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    columns = [np.ones(450_000) for _ in range(8)]
    del columns
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def test_freed_columns_are_used_again(child_env):
    if platform.libc_ver()[0] != "glibc":
        unable("glibc alone has the options")
    faults = {
        how: int(
            subprocess.run(
                [sys.executable, "-c", COLUMNS, how],
                env=child_env,
                capture_output=True,
                text=True,
                check=True,
            ).stdout
        )
        for how in ("kept", "given back")
    }
    assert faults["kept"] < 0.1 * faults["given back"]


@pytest.mark.parametrize("error", [AttributeError, OSError, TypeError])
def test_without_such_a_library_nothing_happens(monkeypatch, error):
    asked = []

    def library(name):
        asked.append(name)
        raise error

    monkeypatch.setattr(ctypes, "CDLL", library)
    keep_freed_memory()
    assert asked == [None]
