"""Every process collects the same tests: a name depends on neither time, hash seed nor process.

The workers of pytest-xdist refuse to run at all where two of them have collected different names.
"""

import os
import subprocess
import sys

import pytest

from tests.conftest import ROOT, unmeasured


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_another_process_collects_the_same_tests_in_the_same_order(request):
    mine = [item.nodeid for item in request.session.items]
    seed = "2" if os.environ.get("PYTHONHASHSEED") == "1" else "1"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider"],
        cwd=ROOT, env=unmeasured(os.environ) | {"PYTHONHASHSEED": seed, "PYTEST_ADDOPTS": ""},
        capture_output=True, text=True, check=False, timeout=500,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    wanted = {*mine}
    theirs = [line for line in done.stdout.splitlines() if line in wanted]
    # A run of a few tests has collected these alone.
    assert theirs == mine
