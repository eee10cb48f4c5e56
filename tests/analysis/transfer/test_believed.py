"""An import believes what the daemon would have believed, value by value, however it is cut."""

import itertools
import math
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.transfer.believed import BelievedBlocks
from analysis.transfer.import_readings import Importer
from analysis.transfer.import_verdict import trouble
from analysis.transfer.read_blocks import block_of
from logger.config import load_config
from logger.plausibility.bank import Bank
from logger.plausibility.ranges import ANY_CHARGER
from logger.plausibility.values import Plausibility
from logger.reading import CHANNELS, OperatingState, Reading
from logger.refusals import Refusals

LIMITS = {**ANY_CHARGER, "current_a": (-1.0, 22.0)}


def one_by_one(readings, rule):
    return [clean for r in readings if (clean := rule.clean(r)) is not None]


def in_blocks(readings, rule, cuts=()):
    blocks = BelievedBlocks(rule)
    edges = [0, *sorted({c for c in cuts if 0 < c < len(readings)}), len(readings)]
    found = []
    for start, stop in itertools.pairwise(edges):
        block = blocks.clean(block_of(readings[start:stop]))
        for k in range(len(block)):
            values = {name: float(getattr(block, name)[k]) for name in CHANNELS}
            found.append((float(block.time_s[k]), int(block.state[k]), values))
    return found


def agree(readings, make_rule, cuts=()):
    """Hold both ways against each other; return the reasons, with their counts."""
    live, imported = make_rule(), make_rule()
    expected = block_of(one_by_one(readings, live) or [Reading(0.0)])
    if live.refusals.total and not one_by_one(readings, make_rule()):
        expected = expected.select(slice(0, 0))
    got = in_blocks(readings, imported, cuts)
    assert [row[0] for row in got] == expected.time_s.tolist()
    assert [row[1] for row in got] == expected.state.tolist()
    for name in CHANNELS:
        np.testing.assert_array_equal([row[2][name] for row in got], getattr(expected, name))
    assert imported.refusals.by_reason == live.refusals.by_reason
    assert imported.refusals.samples == live.refusals.samples
    assert imported.refusals.total == live.refusals.total
    if live.bank is not None:
        assert imported.bank.nominal_v == live.bank.nominal_v
    return live.refusals.by_reason


VOLTS = [None, -0.1, 0.0, 0.4, 0.5, 0.6, 1.329, 5.9, 6.5, 9.0, 13.2, 16.0, 17.0, 26.4, 31.0, 53.0,
         63.0, 65.0, 5e-20, -5e-20, math.inf]  # fmt: skip
runs = st.lists(
    st.tuples(
        st.sampled_from([1, 1, 2, 9, 10, 11, 40]),
        st.sampled_from(VOLTS),
        st.sampled_from([None, 0.0, 8.0, 30.0, -2.0, math.inf, 1e-19]),
        st.sampled_from([None, 100.0, 100.5, 101.2, 812.0, -1.0, 2e6]),
        st.sampled_from([None, 20.0, 300.0]),
        st.sampled_from([1.0, 1.0, 3600.0]),
        st.sampled_from([OperatingState.RUNNING, OperatingState.UNKNOWN]),
    ),
    min_size=1,
    max_size=12,
)


@settings(deadline=None)
@given(runs, st.sampled_from([None, 12.0, 24.0]), st.booleans(), st.sets(st.integers(1, 200)))
def test_blocks_and_single_readings_are_judged_alike(plan, nominal_v, of_a_bank, cuts):
    readings, time_s = [], 0.0
    for length, volts, amps, hours, warm, step_s, state in plan:
        for _ in range(length):
            time_s += step_s
            readings.append(
                Reading(time_s, volts, amps, state, runtime_h=hours, temperature_c=warm)
            )

    def rule():
        return Plausibility(LIMITS, Refusals(), Bank(nominal_v) if of_a_bank else None)

    with (
        mock.patch("logger.plausibility.bank.FOUND_AFTER", 10),
        mock.patch("logger.plausibility.bank.CHANGED_AFTER", 30),
    ):
        agree(readings, rule, cuts)


def test_a_bank_is_found_and_changes_within_a_recording():
    volts = [13.2] * 70 + [0.0] * 5 + [26.4] * 10 + [13.2] + [26.4] * 3605 + [1.3]
    readings = [Reading(float(k), v) for k, v in enumerate(volts)]
    reasons = agree(readings, lambda: Plausibility(LIMITS, Refusals(), Bank()), cuts=(50, 90, 2000))
    assert reasons == {
        "voltage_v is that of no bank of 12 V": 10 + 3599,
        "voltage_v is that of no bank of 24 V": 1,
    }


def imported(folder, rows, battery=""):
    """Return what became of a recording of these voltages and hours, one row a second."""
    (folder / "ebbwatt.toml").write_text(f"[charger]\nrated_w = 110\n{battery}", encoding="utf-8")
    lines = [f"{1.7e9 + k:.0f},{volts},5.0,{hours}" for k, (volts, hours) in enumerate(rows)]
    path = folder / "rows.csv"
    path.write_text("time,voltage_v,current_a,runtime_h\n" + "\n".join(lines) + "\n")
    config = load_config(folder / "ebbwatt.toml")
    return Importer(config).take(path), config


@pytest.mark.parametrize("battery", ["", "[battery]\nnominal_v = 12\n"])
def test_an_import_takes_a_charger_that_is_off_and_refuses_what_no_bank_has(tmp_path, battery):
    rows = [(13.2, 100)] * 70 + [(0.0, 100)] * 20 + [(1.329, 100)] * 10
    result, _ = imported(tmp_path, rows, battery)
    assert result.implausible == {"voltage_v is that of no bank of 12 V": 10}
    assert result.samples["voltage_v is that of no bank of 12 V"] == "1.329"


def test_a_counter_of_seconds_is_refused_and_the_hint_is_no_wrong_unit(tmp_path):
    result, config = imported(tmp_path, [(13.2, 5000 + 3 * k) for k in range(100)])
    assert result.implausible == {"runtime_h rises faster than time": 99}
    (told,) = trouble(result, config.plausible)
    assert told == (
        "99 of 100 values of runtime_h were refused: runtime_h rises faster than time (such as "
        "5003); is the column in hours?"
    )


def test_a_wrong_scale_is_not_taken_for_another_unit(tmp_path):
    result, config = imported(tmp_path, [(1.329, 100)] * 100)
    (told,) = trouble(result, config.plausible)
    assert told == (
        "100 of 100 values of voltage_v were refused: voltage_v is that of no bank (such as 1.329; "
        "believed are 6 to 64); is the unit right? If they are true, set voltage_v in [plausible]"
    )
