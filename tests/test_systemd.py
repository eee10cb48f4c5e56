"""The unit file: systemd's own word on whether it is well formed and how far it is locked down."""

import re
import subprocess

from tests.conftest import ROOT

UNIT = ROOT / "systemd/ebbwatt.service"


def test_the_unit_is_well_formed(program, tmp_path):
    analyze = program("systemd-analyze", "systemd")
    # verify insists that the program exists, which it does on a board only.
    unit = tmp_path / "ebbwatt.service"
    text = UNIT.read_text(encoding="utf-8").replace("/opt/ebbwatt/bin/ebbwatt", "/bin/true")
    unit.write_text(text, encoding="utf-8")
    done = subprocess.run([analyze, "verify", unit], capture_output=True, text=True, check=False)
    complaints = [line for line in done.stderr.splitlines() if "ebbwatt.service" in line]
    assert complaints == []


def test_it_is_locked_down(program):
    # systemd-analyze security: exposure from 0 (locked down) to 10; at most 1.0 is asked for.
    analyze = program("systemd-analyze", "systemd")
    done = subprocess.run(
        [analyze, "security", "--offline=true", "--no-pager", UNIT],
        capture_output=True,
        text=True,
        check=False,
    )
    exposure = float(re.search(r"exposure level for \S+: ([0-9.]+)", done.stdout)[1])
    assert exposure <= 1.0


def test_a_wrong_configuration_is_not_started_again_and_the_paths_are_those_of_the_program():
    text = UNIT.read_text(encoding="utf-8")
    assert "RestartPreventExitStatus=2" in text
    assert "/etc/ebbwatt/ebbwatt.toml" in text
    assert "RuntimeDirectory=ebbwatt" in text
