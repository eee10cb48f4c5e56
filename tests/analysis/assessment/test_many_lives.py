"""What the assessment says of many lives at once: how often its intervals hold, and false steps."""

import numpy as np
import pytest

from logger.config import load_config
from tests.support.asked import assess
from tests.support.boats.plain_log import log


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("config") / "boat.toml"
    # These lives are measured by true sensors.
    path.write_text(
        "[charger]\nrated_w = 110\nfitted = 2019-04-11\n[battery]\n[log]\n"
        "[sensor]\ngain_uncertainty = 0\nzero_uncertainty_a = 0\n"
    )
    return load_config(path)


def test_coverage_over_many_noisy_lives(config):
    held, widths = 0, []
    for seed in range(30):
        loss = 0.02 + 0.1 * seed / 30
        result = assess(log(runs=60, loss=loss, noise=0.01, seed=seed), config)
        held += result.output.low <= 1.0 - loss * 0.36 <= result.output.high
        widths.append(result.output.high - result.output.low)
    # Binomial with 30 and 0.9: fewer than 23 has a chance below 1 %.
    assert held >= 23
    # One run alone would be known to 3.29 sd = 0.033 wide; sixty must say clearly more.
    assert np.mean(widths) < 0.65 * 3.29 * 0.01


def test_no_step_in_lives_without_one(config):
    found = sum(len(assess(log(runs=100, loss=0.06, seed=s), config).steps) for s in range(25))
    assert found <= 1
