"""What scipy does not use is not loaded with it, and still there for who asks."""

import subprocess
import sys

import numpy as np
import pytest

from analysis.statistics.put_off import put_off_unused
from tests.conftest import ROOT

LOOK = """
import sys
import {module}
import numpy, scipy.linalg, scipy.special
tools = {{"numpy.f2py.crackfortran", "numpy.testing._private", "unittest"}}
print(sorted(tools & set(sys.modules)))
from numpy.testing import assert_array_equal
print(assert_array_equal is numpy.testing.assert_array_equal, bool(numpy.f2py.get_include()))
"""


@pytest.mark.parametrize(
    "module", ["analysis.statistics.robust", "analysis.health.forms", "analysis.load.kinds"]
)
def test_scipy_is_loaded_without_numpys_tools(module):
    """Whichever of the rooms that need scipy is loaded first."""
    done = subprocess.run(
        [sys.executable, "-c", LOOK.format(module=module)],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines() == ["[]", "True True"]


def test_what_was_loaded_before_stays():
    loaded = np.testing
    put_off_unused()
    assert np.testing is loaded is sys.modules["numpy.testing"]
