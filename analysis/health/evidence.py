"""The evidence for one charger: its runs, their figures, and the life that the estimate covers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.health import limiter
from analysis.health.life import Health, estimate, heat_effect
from analysis.health.run_output import Outputs, outputs, without_surpassed
from analysis.health.run_table import Limit
from analysis.health.trend import Observations
from analysis.inputs.levels import levels_finding, two_levels
from logger.event import day_begins_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.life import StepFound
    from analysis.history.runs import Runs
    from analysis.inputs.finding import Finding
    from logger.config import Config

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: A log that begins at most this many days after the fitting counts as kept from new: owners fit
#: the logger some days after the charger (common practice, no source).
NEW_WITHIN_D = 14
#: If a smaller share of the runs than this gave a value, those few are probably battery-limited
#: runs that were not recognised. The report then states only a lower bound. (Judgement, no source.)
LEAST_SHARE = 0.04
#: Life that centres the prior of the decline where the configuration names none, h (common
#: practice 7000 to 8000, no source). The prior is so wide that the exact value hardly matters.
_USUAL_LIFE_H = 7500.0
#: A sudden gain whose lower end is at least this counts as a renewal that nobody recorded, fraction
#: of rated: wear does not come back. (Twice ``steps.LEAST_CHANGE`` and a little; no source.)
_RENEWAL_GAIN = 0.06


@dataclass(frozen=True, slots=True)
class Life:
    """The present life of a charger: since new, or since its last renewal or replacement."""

    start_s: float = -np.inf
    """Unix time."""
    start_h: float = 0.0
    """Running hours of the fitting."""
    gain: StepFound | None = None
    """The sudden gain that showed an unrecorded renewal; its ``kh`` counts from the life before."""

    @property
    def renewed(self) -> bool:
        """Whether this life began later than the fitting."""
        return bool(np.isfinite(self.start_s))


@dataclass(frozen=True, slots=True)
class Evidence:
    """The runs of a log with their figures, and the life that they belong to."""

    runs: Runs
    out: Outputs
    ceiling: limiter.Ceiling
    runtime_h: Floats
    """Running hours of the fitting at the stretch that gave each run's figure, shape (runs,)."""
    life: Life
    findings: tuple[Finding, ...] = ()
    """Findings about the data themselves, the worst first."""
    zero_sd: float = 0.0
    """Uncertainty of the output from the current sensor's zero (one sd), fraction of rated."""
    gain_sd: float = 0.0
    """Uncertainty of the output from the sensor's gain (one sd), as a share of the output."""
    may_begin_h: float | None = None
    """Running hours at which another unit may have been fitted: the counter jumped back there, and
    nobody recorded why. None where there is no doubt."""

    @property
    def now_h(self) -> float | None:
        """Running hours of the fitting at the end of the log."""
        return float(self.runs.hours.at_end_h[-1]) if len(self.runs.log) else None

    @property
    def logged_h(self) -> float:
        """Running hours seen in the log."""
        return float(self.runs.log.duration_s[self.runs.running].sum()) / 3600.0

    @property
    def used(self) -> Flags:
        """Which runs the estimate of the present life uses, shape (runs,)."""
        return (
            self.out.used & np.isfinite(self.out.value) & (self.runs.start_s >= self.life.start_s)
        )

    def time_s(self, runtime_h: float) -> float:
        """Return the Unix time at which the fitting had run for ``runtime_h``."""
        return float(np.interp(runtime_h, self.runs.hours.at_end_h, self.runs.log.end_s))


def gather(
    runs: Runs,
    config: Config,
    zero_sd: float = 0.0,
    held: Flags | None = None,
    *,
    gain_sd: float = 0.0,
) -> Evidence:
    """Find the figures of the runs of a log, and the life that they belong to.

    Parameters
    ----------
    runs, config
        The runs; rated output and charge ceiling.
    zero_sd
        Uncertainty of the output from the current sensor's zero (one sd), fraction of rated.
    held
        Runs whose output a setting of the charger capped, shape (runs,): they are lower bounds.
    gain_sd
        Uncertainty of the output from the sensor's gain (one sd), as a share of the output.
    """
    inside = limiter.inside_runs(runs)
    out, ceiling = _figures(runs, config, inside)
    runtime_h = hours_at(runs, out.middle_s)
    levels = two_levels(out.value, out.used & ~out.bound, runs.begun_s)
    out = restricted(out, None if levels is None else levels.low, held)
    heat = _effect_of_heat(out, runtime_h)
    if heat is not None:
        # A run warms its own compartment. Without this correction the loss by heat would look like
        # sag, or like a full battery, and the run's temperature would then correct it once more.
        out, ceiling = _figures(runs, config, inside, heat)
        out = restricted(out, None if levels is None else levels.low, held)
    findings = () if levels is None else (levels_finding(levels, out.value, runs.start_s),)
    out = without_surpassed(out, runtime_h)
    life = recorded_life(runs)
    return Evidence(runs, out, ceiling, runtime_h, life, findings, zero_sd, gain_sd)


def restricted(out: Outputs, low: Flags | None, held: Flags | None) -> Outputs:
    """Leave out the runs at the lower of two levels; make those capped by a setting bounds."""
    if low is not None:
        out = _with_reason(
            out, low, Limit.UNUSABLE, "left out: at the lower of two levels (a fault)"
        )
        out = replace(out, used=out.used & ~low)
    if held is not None and held.any():
        held = held & out.used
        out = _with_reason(
            out, held, Limit.BATTERY, "used as a lower bound: held by a setting or another source"
        )
        out = replace(out, bound=out.bound | held)
    return out


def _with_reason(out: Outputs, which: Flags, limit: Limit, reason: str) -> Outputs:
    """Return the figures with another limit and reason for the runs in ``which``."""
    return replace(
        out,
        limit=tuple(limit if k else was for k, was in zip(which, out.limit, strict=True)),
        reason=tuple(reason if k else was for k, was in zip(which, out.reason, strict=True)),
    )


def _figures(
    runs: Runs, config: Config, inside: limiter.Stretches, heat: Floats | None = None
) -> tuple[Outputs, limiter.Ceiling]:
    """Find what limited each stretch, and reduce each run to its figure.

    With ``heat``, the power in ``inside`` is written over: it is as long as the log.
    """
    rated_w, ceiling_v = config.charger.rated_w, config.battery.charge_ceiling_v
    found, ceiling = limiter.stretches(runs, rated_w, ceiling_v, heat, inside)
    return outputs(runs, found, rated_w), ceiling


def health_of(evidence: Evidence, config: Config) -> tuple[Health | None, Evidence]:
    """Estimate health. If an unrecorded renewal shows, estimate the life after it instead.

    Returns
    -------
    The estimate (None where the log does not tell), and the evidence with the life it covers.
    """
    health = _estimate(evidence, config)
    if health is None:
        return None, evidence
    gains = [s for s in health.steps if s.low >= _RENEWAL_GAIN]
    if gains:
        start_h = evidence.life.start_h + 1000.0 * gains[-1].kh
        later = replace(evidence, life=Life(evidence.time_s(start_h), start_h, gains[-1]))
        again = _estimate(later, config)
        if again is not None:
            return again, later
    return health, evidence


def design_hours_left(evidence: Evidence, config: Config) -> tuple[float, float] | None:
    """Return the least and most running hours left of the design life, None if unknown."""
    life_h = config.charger.design_range_h
    if life_h is None:
        return None
    now_h, start_h = evidence.now_h, evidence.life.start_h
    if now_h is None:
        return None
    if evidence.life.gain is not None:
        start_h = 0.0  # the gain does not prove a new unit: count from the fitting
    counted = evidence.runs.hours.counted or start_h > 0.0
    if not counted and not _seen_from_new(evidence.runs, config):
        return None
    passed_h = now_h - start_h
    # Where another unit may have been fitted both readings stay open: the old one, or a new one.
    least_h = passed_h
    if evidence.may_begin_h is not None:
        least_h = min(passed_h, now_h - evidence.may_begin_h)
    return life_h[0] - passed_h, life_h[1] - least_h


def hours_at(runs: Runs, time_s: Floats) -> Floats:
    """Return the running hours of the fitting at the stretch that gave each run's figure."""
    if len(runs) == 0:
        return np.empty(0)
    middle = np.where(np.isfinite(time_s), time_s, 0.5 * (runs.start_s + runs.end_s))
    return np.interp(middle, runs.log.end_s, runs.hours.at_end_h)


def observations(out: Outputs, use: Flags, kh: Floats) -> tuple[Observations, NDArray[np.intp]]:
    """Return the figures of the used runs ordered by hours, and the indices of those runs."""
    runs = np.flatnonzero(use)
    runs = runs[np.argsort(kh[runs], kind="stable")]
    return Observations(kh[runs], out.value[runs], out.standard_error[runs], out.bound[runs]), runs


def _effect_of_heat(out: Outputs, runtime_h: Floats) -> Floats | None:
    """Return the effect of heat seen between runs, None where it is not known."""
    use = out.used & np.isfinite(out.value)
    if not use.any():
        return None
    data, runs = observations(out, use, runtime_h / 1000.0)
    return heat_effect(data, out.temperature_c[runs])


def recorded_life(runs: Runs) -> Life:
    """Return the life that began with the last recorded renewal or replacement."""
    if len(runs.log) == 0:
        return Life()
    end, fitted = float(runs.log.end_s[-1]), runs.log.fitting.fitted
    begin = -np.inf if fitted is None else day_begins_s(fitted)
    times = [
        e.time_s
        for e in runs.log.events
        if e.kind in {"renewal", "replacement"} and not e.struck and begin <= e.time_s <= end
    ]
    if not times:
        return Life()
    start = max(times)
    return Life(start, float(np.interp(start, runs.log.end_s, runs.hours.at_end_h)))


def _estimate(evidence: Evidence, config: Config) -> Health | None:
    out, use, now_h = evidence.out, evidence.used, evidence.now_h
    values = int((~out.bound[use]).sum())
    if now_h is None or values == 0 or values < LEAST_SHARE * int(use.sum()):
        return None
    start_h = evidence.life.start_h
    data, runs = observations(out, use, (evidence.runtime_h - start_h) / 1000.0)
    life_h = config.charger.design_range_h or (_USUAL_LIFE_H, _USUAL_LIFE_H)
    usual_loss = 1.0 - config.charger.replace_below
    middle_s = np.nan_to_num(out.middle_s, nan=float(np.nanmean(out.middle_s)))
    health = estimate(
        data,
        out.temperature_c[runs],
        middle_s[runs],
        max((now_h - start_h) / 1000.0, float(data.kh.max())),
        of_run=np.unique(evidence.runs.begun_s, return_inverse=True)[1][runs],
        usual_loss_per_kh=usual_loss / (0.0005 * sum(life_h)),
        alike=math.hypot(
            out.sag.depth_se * float(np.nanmedian(out.sagged[use & ~out.bound])), evidence.zero_sd
        ),
    )
    return None if health is None else replace(health, gain_sd=evidence.gain_sd)


def _seen_from_new(runs: Runs, config: Config) -> bool:
    """Tell whether the log begins with the fitting: then it holds all running hours."""
    fitted = config.charger.fitted
    if fitted is None:
        return False
    begun = datetime.fromtimestamp(float(runs.log.start_s[0]), UTC).date()
    return abs((begun - fitted).days) <= NEW_WITHIN_D
