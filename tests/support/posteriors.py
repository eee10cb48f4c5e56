"""What is known of a straight decline, as the forecast takes it."""

import numpy as np

from analysis.health.forms import Cell, Form, Posterior, normal_posteriors, trend_columns
from analysis.health.trend import Sites

#: Precision of a prior too wide to matter.
FLAT = 1e-10


def posterior_of(x, y, s, now):
    """Return the posterior of a straight line with a known scale, as the forecast takes it."""
    form = Form("linear", 1.0)
    design = trend_columns(form, x, now)
    sites = Sites(x, y, np.full(len(x), s**-2.0), design)
    prior = (np.zeros(2), np.full(2, FLAT))
    _, mean, covariance = normal_posteriors(sites, None, design[None], [prior], 0.0)
    return Posterior((Cell(form, 0.0, 1.0, mean[0, 0], covariance[0, 0]),), now, now, 0.0)
