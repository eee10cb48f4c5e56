"""Compiles once in a run what each of its processes loads: libraries, program, tests.

In a fresh clone nothing is compiled. The processes of a run begin at the same moment, so that each
would compile all of it.
"""

import contextlib
import importlib
import io
import sys

import pytest

from tests.support.prepared import load

#: What tests load late, or processes that they start load at the same moment.
LATE = (
    "scipy.stats", "cantools", "distributed", "fsspec", "paho.mqtt.client", "pyarrow.parquet",
    "pymodbus.server",
)  # fmt: skip


def main():
    """Load everything, collect the tests; say something only about tests that do not load."""
    load()
    for name in LATE:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    with contextlib.redirect_stdout(io.StringIO()) as said:
        status = pytest.main(["--collect-only", "-qqq", "-p", "no:cacheprovider"])
    if status:
        print(said.getvalue())
    return status


if __name__ == "__main__":
    sys.exit(main())
