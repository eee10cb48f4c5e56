"""A line that never says anything sensible: no growth, no stall, and each sound message arrives.

``EBBWATT_FUZZ_MB=100`` sends a hundred million bytes through each decoder.
"""

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import unmeasured

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
MEGABYTES = os.environ.get("EBBWATT_FUZZ_MB", "1")
SEED = os.environ.get("EBBWATT_SEED", "") or str(random.SystemRandom().randrange(1, 10**9))
#: The kinds of refusal and of unknown words that are kept by name are bounded.
MOST_NAMES = 40


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("device", ["text-lines", "binary-frame"])
def test_a_fuzzed_line_neither_grows_nor_stalls(tmp_path, child_env, device):
    config = tmp_path / "ebbwatt.toml"
    config.write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    rig = [sys.executable, "-m", "tests.support.rigs.devices.fuzzed_line"]
    done = subprocess.run(
        [*rig, config, DEVICES / f"{device}.toml", MEGABYTES, SEED],
        env=unmeasured(child_env),
        capture_output=True,
        text=True,
        check=True,
    )
    few, many = (json.loads(line) for line in done.stdout.splitlines())
    told = f"seed {SEED}: {few} {many}"
    assert many["kib"] <= 1.04 * few["kib"], told
    # Each sound message behind a pause made a reading: nothing that came before swallowed it.
    assert many["arrived"] == many["rounds"], told
    assert many["refused"] > many["rounds"] / 2, told
    assert many["reasons"] <= MOST_NAMES, told
    assert many["words"] <= MOST_NAMES, told
    # Generous: a piece takes some milliseconds, and the machine may be busy.
    assert many["longest_s"] < 10.0, told
    print(f"{device}: {many}")
