"""A normal known to be positive, held against quadrature and closed forms."""

import math

import numpy as np
import pytest

from analysis.statistics.positive import draw, log_chance, weighed


@pytest.mark.parametrize(("mean", "sd"), [(0.3, 1.0), (-2.0, 0.5), (5.0, 1.0), (-30.0, 1.0)])
def test_draws_have_the_moments_of_the_truncated_normal(mean, sd):
    drawn = draw(np.full(100_000, mean), np.full(100_000, sd), np.random.default_rng(2))
    assert (drawn >= 0.0).all()
    # By quadrature from zero on; far below zero the density is scaled so that it does not vanish.
    end = max(mean, 0.0) + 12.0 * sd
    x = np.linspace(0.0, end, 400_001)
    log_density = -0.5 * ((x - mean) / sd) ** 2
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    expected = float(density @ x)
    spread = math.sqrt(density @ (x - expected) ** 2)
    assert drawn.mean() == pytest.approx(expected, abs=5.0 * spread / math.sqrt(len(drawn)) + 1e-4)
    assert drawn.std() == pytest.approx(spread, rel=0.02)


def test_chances_and_weights_by_hand():
    sd = np.array([1.0, 1.0, 2.0])
    mean = np.array([0.0, 1.6448536, -2.0 * 1.6448536])
    assert np.exp(log_chance(mean, sd)) == pytest.approx([0.5, 0.95, 0.05])
    found = weighed(np.array([0.2, 0.3, 0.5]), mean, sd)
    assert found == pytest.approx(np.array([0.1, 0.285, 0.025]) / 0.41)
    assert weighed(np.array([0.0, 1.0, 0.0]), mean, sd) == pytest.approx([0.0, 1.0, 0.0])
    # Known without error: below zero is impossible beside what is possible.
    assert weighed(np.array([0.9, 0.1]), np.array([-1.0, 1.0]), np.zeros(2)).tolist() == [0.0, 1.0]


def test_what_is_known_without_error_stays_or_ends_at_zero():
    drawn = draw(np.array([0.4, -0.4]), np.zeros(2), np.random.default_rng(0))
    assert drawn == pytest.approx([0.4, 0.0], abs=1e-9)


@pytest.mark.parametrize(("mean", "sd", "rare"), [(0.08, 0.03, 0.02), (-0.05, 0.03, 0.01)])
def test_values_far_below_the_rare_one_are_as_rare_as_they_are_small(mean, sd, rare):
    x = np.linspace(0.0, max(mean, 0.0) + 12.0 * sd, 400_001)
    density = np.exp(-0.5 * ((x - mean) / sd) ** 2) * x / (x + rare)
    kept = density.sum() * x[1] / (sd * math.sqrt(2.0 * math.pi))
    assert np.exp(log_chance(np.array([mean]), np.array([sd]), rare)) == pytest.approx([kept], 5e-3)
    density /= density.sum()
    expected = float(density @ x)
    spread = math.sqrt(density @ (x - expected) ** 2)
    drawn = draw(np.full(50_000, mean), np.full(50_000, sd), np.random.default_rng(3), rare)
    assert drawn.mean() == pytest.approx(expected, abs=5.0 * spread / math.sqrt(50_000))
    assert drawn.std() == pytest.approx(spread, rel=0.03)
    # Two that were as likely: the one near zero is left with less.
    both = weighed(np.array([0.5, 0.5]), np.array([mean, 10.0]), np.array([sd, 1e-3]), rare)
    assert both == pytest.approx(np.array([kept, 1.0]) / (1.0 + kept), abs=5e-3)


def test_what_is_all_but_ruled_out_is_still_drawn():
    drawn = draw(np.array([-0.4, 0.0]), np.zeros(2), np.random.default_rng(0), 0.1)
    assert drawn == pytest.approx([0.0, 0.0], abs=1e-9)
    assert np.isfinite(log_chance(np.array([-40.0]), np.array([1.0]), 0.1)).all()
