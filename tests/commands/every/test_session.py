"""The README's session, line by line, on a fresh clone: what it shows is what a newcomer gets."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT
from tests.support.screens.pages import words_of

#: A busy machine takes minutes for what takes half a minute.
GENEROUS_S = 1500
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]
#: What a fresh clone has none of.
_MADE = {".git", ".venv", "ebbwatt-demo", "__pycache__"}


@pytest.fixture
def clone(tmp_path, program):
    """A fresh clone whose virtual environment is the one at hand: nothing comes over a network."""
    folder = tmp_path / "clone"
    if (ROOT / ".git").exists():
        git = program("git", "git")
        subprocess.run([git, "clone", "--quiet", ROOT, folder], check=True, capture_output=True)
    else:  # an exported tree

        def made(_, names):
            return {name for name in names if name in _MADE or name.startswith(".cov")}

        shutil.copytree(ROOT, folder, ignore=made)
    (folder / ".venv").symlink_to(sys.prefix)
    return folder


def _block(text, heading):
    """Return the first block of code under a heading."""
    return re.search(rf"^## {heading}\n.*?^```\n(.*?)^```", text, re.DOTALL | re.MULTILINE)[1]


def test_the_session_runs_to_the_letter_and_prints_what_the_readme_shows(clone, program):
    readme = (clone / "README.md").read_text(encoding="utf-8")
    demo = [line.split("#")[0].strip() for line in _block(readme, "Two commands").splitlines()]
    session = _block(readme, "A session")
    lines = [line[2:] for line in session.splitlines() if line.startswith("$ ")]
    assert demo == ["make demo", "make test"]
    assert len(lines) >= 5
    # The environment is at hand already; 'make test' is what runs this very test.
    make = f"{program('make', 'make')} -o .venv/run.stamp demo"
    marked = [f"echo '@@ {k}'\n{line}" for k, line in enumerate(lines)]
    script = "\n".join(["set -e", make, *marked])
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("COV", "EBBWATT"))}
    environment |= {"PYTHONPATH": str(clone), "COLUMNS": "80", "HOME": str(clone.parent)}
    done = subprocess.run(
        ["bash", "-c", script],
        cwd=clone,
        env=environment,
        capture_output=True,
        text=True,
        timeout=GENEROUS_S,
        check=False,
    )
    assert done.returncode == 0, (done.stdout[-3000:], done.stderr[-3000:])
    assert "Traceback" not in done.stderr
    said = dict(part.split("\n", 1) for part in done.stdout.split("@@ ")[1:])
    place = lines.index("ebbwatt report")
    shown = session.split("$ ebbwatt report\n")[1].split("...\n")[0]
    printed = said[str(place)].splitlines()[: len(shown.splitlines())]
    assert [_undated(line) for line in printed] == [_undated(line) for line in shown.splitlines()]
    # The page and the document that the session names are there, and the comparison was made.
    for name in ("report.html", "assessment.json"):
        assert (clone / "ebbwatt-demo" / name).stat().st_size > 1000
    report = (clone / "ebbwatt-demo/report.html").read_text(encoding="utf-8")
    assert len(words_of(report)) <= 900, "what a customer reads is short"
    compared = said[str(lines.index("ebbwatt report --compare assessment.json"))]
    assert "Since " in compared
    assert "the verdict stayed" in compared
    # Nothing was taken from elsewhere than the clone.
    where = subprocess.run(
        [Path(sys.executable), "-c", "import analysis, logger; print(analysis.__file__)"],
        cwd=clone,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert where.stdout.startswith(str(clone))


def _undated(line):
    """Dates follow the day on which the demonstration is made; figures do not."""
    return " ".join(re.sub(r"\d{4}-\d\d(-\d\d)?", "DATE", line).split())
