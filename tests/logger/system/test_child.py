"""A child process runs a module of this program, whatever the current folder holds."""

import subprocess
import sys
from pathlib import Path

import pytest

from logger.system.child import child_command
from tests.conftest import ROOT


def folders_of(command):
    """Return the folders that the child searches, in their order, out of its own words."""
    words = command[3]
    return words[words.index("[:] = ") + 6 : words.index("; import runpy")]


def test_the_child_searches_the_folders_of_its_parent_but_none_that_is_relative(monkeypatch):
    monkeypatch.setattr(sys, "path", ["", "some/where", "/usr/lib/one", str(ROOT), "/opt/two"])
    command = child_command("logger.store.schema", "a.db")
    assert command[:3] == [sys.executable, "-P", "-c"]
    assert command[4:] == ["a.db"]
    assert folders_of(command) == repr(["/usr/lib/one", str(ROOT), "/opt/two"])
    # A parent that found this package in the current folder: its own folder is added.
    monkeypatch.setattr(sys, "path", ["", "/usr/lib/one"])
    home = str(Path(child_command.__code__.co_filename).resolve().parents[2])
    assert folders_of(child_command("logger.store.schema")) == repr(["/usr/lib/one", home])


@pytest.mark.parametrize("name", ["logger.py", "runpy.py", "zlib.py", "sqlite3.py"])
def test_what_stands_in_the_current_folder_is_not_run(tmp_path, name):
    (tmp_path / name).write_text("open('ran', 'w').close()\nraise ImportError('poisoned')\n")
    done = subprocess.run(
        child_command("logger.store.schema", str(tmp_path / "new.db")),
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "new.db").exists()
    assert not (tmp_path / "ran").exists()
