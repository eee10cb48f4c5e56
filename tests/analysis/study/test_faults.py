"""The study of the inputs counts what was found, and what was said besides."""

import numpy as np
import pytest

from analysis.study.faults import FAULTS, InputOutcome, behind_a_drop, inputs_markdown
from tests.support.boats import plain_log


def outcome(name, sound=(), stops=(), told=()):
    faults = {(fault, size): () for fault, _, sizes, _ in FAULTS for size in sizes}
    return InputOutcome(name, sound, stops, faults | dict(told))


def test_the_table_counts_found_and_false():
    first, _, sizes, codes = FAULTS[0]
    code = next(iter(codes))
    table = inputs_markdown(
        [
            outcome("a", told=[((first, sizes[0]), (code,))]),
            outcome("b", sound=("two_levels",), told=[((first, sizes[0]), ("flat_cap",))]),
            outcome("c", sound=("net_current",), stops=("net_current",)),
        ],
        seed=7,
    )
    assert "2 of 3 have a doubt" in table
    assert "and 1 a stop" in table
    three = ", ".join(f"{size:g}" for size in sizes)
    assert f"| {first} | {three} | 3 | 1, 0, 0 | 1, 0, 0 |" in table


def test_each_fault_has_three_sizes_and_a_code():
    assert all(len(sizes) == 3 and codes for _, _, sizes, codes in FAULTS)
    assert len({name for name, *_ in FAULTS}) == len(FAULTS)


def test_a_drop_takes_its_part_of_the_voltage_at_rated_current_and_leaves_the_current():
    log = plain_log.log(runs=3)
    usual_v = float(np.nanmedian(log.voltage_mean_v))
    wrong = behind_a_drop(log, plain_log.RATED_W, 0.06)
    amps = log.charge_c / log.duration_s
    lost_v = log.voltage_mean_v - wrong.voltage_mean_v
    at_rated = 0.06 * usual_v * amps / (plain_log.RATED_W / usual_v)
    assert lost_v == pytest.approx(at_rated, abs=1e-9)
    assert lost_v.max() > 0.3, "a drop that a voltmeter shows"
    assert np.array_equal(wrong.charge_c, log.charge_c)
    assert wrong.energy_j == pytest.approx(log.energy_j - lost_v * log.charge_c)
