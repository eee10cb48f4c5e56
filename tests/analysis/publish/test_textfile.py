"""The text file for a textfile collector, judged by promtool, the checker of its own authors."""

import re
import subprocess

import pytest

from analysis.publish.textfile import text
from tests.support.outward import facts, silent


def samples(made):
    """Return value by name and labels."""
    found = re.findall(r"^(\w+)\{([^\n]*)\} (\S+)$", made, re.MULTILINE)
    return {(name, labels): float(value) for name, labels, value in found}


@pytest.mark.parametrize("case", ["live", "silent", "nothing assessed", "no logger"])
def test_promtool_finds_nothing_to_complain_of(program, case):
    promtool = program("promtool", "prometheus")
    made = text(
        {
            "live": facts(),
            "silent": silent(),
            "nothing assessed": facts(document=None),
            "no logger": facts(snapshot=None, reading=None, reading_s=None),
        }[case]
    )
    done = subprocess.run(
        [promtool, "check", "metrics"], input=made, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_promtool_would_notice_a_spoilt_file(program):
    promtool = program("promtool", "prometheus")
    spoilt = text(facts()).replace("# TYPE ebbwatt_up gauge", "# TYPE ebbwatt_up number")
    done = subprocess.run(
        [promtool, "check", "metrics"], input=spoilt, capture_output=True, text=True, check=False
    )
    assert done.returncode != 0


def test_values_stand_in_base_units():
    found = samples(text(facts()))
    label = 'charger="aft locker"'
    # By hand: 812.5 h are 2,925,000 s; 6.25 L are 0.00625 m3; 496.4 h are 1,787,040 s.
    assert found["ebbwatt_charger_voltage_volts", label] == 13.312
    assert found["ebbwatt_charger_current_amperes", label] == 4.2
    assert found["ebbwatt_charger_running_seconds_total", label] == 2_925_000
    assert found["ebbwatt_charger_energy_joules_total", label] == 5_400_000
    assert found["ebbwatt_fuel_cubic_meters", label] == 0.00625
    assert found["ebbwatt_battery_current_amperes", label] == -1.25
    assert found["ebbwatt_remaining_running_seconds", label] == 1_787_040
    assert found["ebbwatt_available_output_ratio", label] == 0.64077
    assert found["ebbwatt_charger_state", f'{label},state="running"'] == 1
    assert found["ebbwatt_charger_state", f'{label},state="fault"'] == 0
    assert found["ebbwatt_verdict", f'{label},verdict="plan"'] == 1


def test_a_silent_source_is_down_and_leaves_no_old_value():
    found = samples(text(silent()))
    names = {name for name, _ in found}
    assert found["ebbwatt_up", 'charger="aft locker"'] == 0
    assert "ebbwatt_reading_timestamp_seconds" in names
    assert not {n for n in names if n.startswith(("ebbwatt_charger", "ebbwatt_battery"))}


def test_labels_are_escaped():
    made = text(facts(label='a "b"\\c\nd'))
    assert r'charger="a \"b\"\\c\nd"' in made
    assert r'reason="a \"strange\"\nreason"' in made
