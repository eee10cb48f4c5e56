"""A short run of the soak test, and that its judge would notice what it is there to notice."""

import os
import pickle
import shutil
import sqlite3
import subprocess
import sys

import pytest

from tests.conftest import ROOT, unmeasured
from tests.endurance.soak import CUT, KILL, NEVER, RUBBISH, STEP, UNSET, Outcome, judge, shown

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def soaked(tmp_path_factory):
    """Return the outcome of three weeks, and the folder of the database."""
    folder = tmp_path_factory.mktemp("soak")
    # In a child that is not measured for coverage, with which it takes three times as long.
    code = (
        "import pickle, sys\nfrom pathlib import Path\nfrom tests.endurance.soak import Soak\n"
        "made = Soak(Path(sys.argv[1]), days=21.0, seed=4).run()\n"
        "sys.stdout.buffer.write(b'outcome:' + pickle.dumps(made))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], cwd=ROOT, env=unmeasured(os.environ),
        stdout=subprocess.PIPE, check=True,
    )  # fmt: skip
    return pickle.loads(done.stdout.partition(b"outcome:")[2]), folder


def test_three_weeks_of_faults_lose_nothing_but_what_cuts_take(soaked):
    outcome, _ = soaked
    assert outcome.failures == []
    for kind in (CUT, KILL, UNSET, NEVER, STEP, RUBBISH):
        assert outcome.table[kind].tried > 0, f"{kind} was not tried: choose another seed"
    for row in outcome.table.values():
        assert row.survived == row.tried
    assert "| power cut |" in shown(outcome)


@pytest.mark.parametrize(
    ("harm", "noticed"),
    [
        ("UPDATE intervals SET energy_mj = energy_mj * 1.01", "energy is off"),
        ("UPDATE intervals SET duration_ms = duration_ms * 0.99 WHERE state = 3", "running time"),
        ("DELETE FROM intervals WHERE id % 100 = 0", "logged time is off"),
        ("UPDATE sessions SET offset_ms = offset_ms + 5000 WHERE offset_quality = 2", "dated"),
        (
            "DELETE FROM events WHERE id = (SELECT min(id) FROM events WHERE kind = 'power_cut')",
            "cuts counted",
        ),
    ],
)
def test_the_judge_notices_harm(soaked, tmp_path, harm, noticed):
    outcome, folder = soaked
    path = shutil.copy(folder / "ebbwatt.db", tmp_path)
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM blocks")
    connection.execute(harm)
    connection.commit()
    connection.close()
    again = Outcome(
        outcome.table,
        energy_j=outcome.energy_j,
        running_s=outcome.running_s,
        logged_s=outcome.logged_s,
        booted_s=outcome.booted_s,
    )
    judge(tmp_path / "ebbwatt.db", again)
    assert any(noticed in failure for failure in again.failures), again.failures
