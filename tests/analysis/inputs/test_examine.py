"""Whatever is in a log, questioning it ends with findings, and what is whole is left alone."""

from dataclasses import fields, replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.inputs.examine import examine
from tests.support.findings import assessed, doubts, holds_truth

COLUMNS = ("charge_c", "energy_j", "voltage_mean_v", "runtime_h", "temperature_c")


@pytest.mark.parametrize("seed", range(12))
def test_torn_logs_are_questioned_without_harm(season, seed):
    history, config, _ = season(days=60)
    rng = np.random.default_rng(seed)
    keep = np.sort(rng.choice(len(history), int(rng.integers(0, 400)), replace=False))
    torn = history.select(keep)
    columns = {}
    for name in COLUMNS:
        values = getattr(torn, name).copy()
        if rng.random() < 0.5:
            values[rng.random(len(values)) < rng.random()] = np.nan
        if rng.random() < 0.3:
            values *= rng.choice([-1.0, 0.0, 1000.0])
        columns[name] = values
    torn = replace(torn, **columns)
    assert examine(torn, config).runs is not None
    document = Case(torn, config).assessment.document()
    assert all(f["text"] and f["what_to_do"] for f in document["inputs"])


def test_a_log_that_says_nothing_against_itself_is_not_changed(season):
    history, config, _ = season(days=60)
    examined = examine(history, config)
    assert examined.findings == ()
    assert not examined.held.any()
    for f in fields(history):
        seen, was = getattr(examined.runs.log, f.name), getattr(history, f.name)
        if isinstance(was, np.ndarray) and was.dtype.kind == "f":
            assert np.array_equal(seen, was, equal_nan=True), f.name
        else:
            assert np.all(seen == was), f.name


@pytest.mark.parametrize("seed", [11, 12])
def test_a_first_season_without_temperature_keeps_wear_and_heat_apart(season, seed):
    # The compartment warms by 20 K until midsummer and the output falls by 0.6 % a kelvin with it.
    sailed = season(
        temperature=False,
        heat_per_k=0.006,
        loss_per_kh=0.01,
        mean_c=14,
        swing_c=12,
        days=110,
        seed=seed,
    )
    a = assessed(sailed)
    assert holds_truth(a, sailed[2])
    assert a.decline_per_1000h.low <= 0.01 <= a.decline_per_1000h.high


@pytest.mark.parametrize("seed", range(21, 25))
def test_sound_seasons_of_many_kinds_have_no_doubt(season, seed):
    rng = np.random.default_rng(seed)
    sailed = season(
        days=60, seed=seed, load_a=float(rng.uniform(1.5, 3.4)), new=float(rng.uniform(0.9, 1.05)),
        loss_per_kh=float(rng.uniform(0.0, 0.1)), states=bool(rng.random() < 0.5),
        counter=bool(rng.random() < 0.7), temperature=bool(rng.random() < 0.7),
        shore_days=frozenset(rng.choice(60, 8, replace=False).tolist()),
        engine_days=frozenset(rng.choice(60, 8, replace=False).tolist()),
    )  # fmt: skip
    assert doubts(assessed(sailed)) == []
