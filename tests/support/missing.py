"""What a test needs and this machine may not have: the one place that skips a test.

In CI (variable CI, which ``.ci/run`` sets) what can be installed must be there, so its absence
fails the test; elsewhere the test says what to install and is skipped.
"""

import importlib
import os
import shutil

import pytest


def missing(message):
    """End the test, because something that can be installed is missing."""
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def program(name, package):
    """Return the path of a program."""
    path = shutil.which(name)
    if path is None:
        missing(f"needs the program {name}: sudo apt-get install {package}")
    return path


def library(name):
    """Return a module of a package that only tests, or an extra, bring."""
    try:
        return importlib.import_module(name)
    except ImportError:
        missing(f"needs the Python package {name.partition('.')[0]}: make test installs it")


def unable(why):
    """Skip a test that this kernel, or this user, does not allow: no package would help."""
    pytest.skip(why)
