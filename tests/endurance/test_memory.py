"""Memory and open files stay flat: a leak of one object a reading would show as a ratio."""

import os
import subprocess
import sys

import pytest

from tests.conftest import unmeasured

#: Readings after which it is looked at: the first full caches are behind it by then. ``make soak``
#: looks after millions.
FEW, MANY = map(int, os.environ.get("EBBWATT_READINGS", "100000,300000").split(","))
#: Python's memory comes in arenas of a megabyte, and one more may be begun at any time: that is no
#: leak, and the number of objects says so. Beyond it eight bytes kept of each reading would show in
#: the suite, and half a byte in ``make soak``.
ARENA_KIB = 1024
MOST_GROWTH = 1.02
#: Objects at these times were 66,290 to 66,660, and 66,690 to 67,260 with raw readings.
MOST_OBJECTS = 1.02


@pytest.mark.slow
@pytest.mark.timeout(600 if MANY <= 1_000_000 else 7200)
# With raw readings all is at work that is without them.
@pytest.mark.parametrize("raw_hours", [10, 0] if "EBBWATT_READINGS" in os.environ else [10])
def test_memory_and_open_files_are_flat(tmp_path, child_env, raw_hours):
    config = tmp_path / "ebbwatt.toml"
    store = f"[store]\nraw_hours = {raw_hours}\n"
    config.write_text(f"[charger]\nrated_w = 110\n{store}", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.rigs.endless", str(config), str(FEW), str(MANY)],
        env=unmeasured(child_env),
        capture_output=True,
        text=True,
        check=True,
    )
    few, many = ([int(word) for word in line.split()] for line in done.stdout.splitlines())
    assert many[0] <= MOST_GROWTH * few[0] + ARENA_KIB, (few, many)
    assert many[1] == few[1], (few, many)
    assert many[2] <= MOST_OBJECTS * few[2], (few, many)
    print(f"{FEW} readings: {few[0]} KiB, {few[2]} objects; {MANY}: {many[0]} KiB, {many[2]}")
