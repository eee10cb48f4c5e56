"""The sketch of a boat: all that the fleet needs of its log, in about six kilobytes.

The estimator's posterior is a mixture of cells (form of decline and size of wander), each normal in
present level and loss. They hold everything that the log says of the charger's life, so that
sisters can be compared, and futures drawn, without reading a log again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.health.evidence import design_hours_left
from analysis.health.forms import forms
from analysis.health.trend import WANDERS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment.case import Case
    from analysis.health.forms import Form
    from analysis.health.life import Health

    Floats = NDArray[np.float64]

SCHEMA = "ebbwatt/sketch/2"
FORM_NAMES = tuple(form.name for form in forms(0.05))
#: Digits that are kept: more than any figure is told with (our choice).
_DIGITS = 10


@dataclass(frozen=True, slots=True)
class Sketch:
    """What one boat hands to its fleet; arrays have shape (cells,), hours are of the present life.

    ``level`` is the output now (trend and wander), ``loss`` the mean loss per 1000 h from new until
    now; ``level_var``, ``cross`` and ``loss_var`` are their covariance.
    """

    now_kh: float
    usual: float
    """Mean of the prior of the loss that the estimator used, per 1000 h."""
    systematic: float
    gain_sd: float
    observed_h: float
    """Running hours that the estimate rests on."""
    replace_below: float
    form: NDArray[np.intp]
    """Place in :data:`FORM_NAMES`."""
    share: Floats
    wander: NDArray[np.intp]
    """Place in :data:`analysis.health.trend.WANDERS`."""
    weight: Floats
    level: Floats
    loss: Floats
    level_var: Floats
    cross: Floats
    loss_var: Floats
    design_left_h: tuple[float, float] | None = None
    unseen_h: float = 0.0
    load_below: float | None = None
    load_sd: float = 0.0

    def forms(self) -> list[Form]:
        """Return the form of each cell."""
        return [
            forms(float(share))[int(place)]
            for place, share in zip(self.form, self.share, strict=True)
        ]

    @property
    def lost(self) -> float:
        """Mean of the loss since new, fraction of rated."""
        return float(self.weight @ self.loss) / float(self.weight.sum()) * self.now_kh

    def document(self) -> dict[str, Any]:
        """Return it as it is kept in JSON."""
        columns = {
            name: [_short(v) for v in getattr(self, name).tolist()]
            for name in ("share", "weight", "level", "loss", "level_var", "cross", "loss_var")
        }
        return {
            "schema": SCHEMA,
            **{
                name: _short(getattr(self, name))
                for name in (
                    "now_kh", "usual", "systematic", "gain_sd", "observed_h", "replace_below",
                    "unseen_h", "load_below", "load_sd",
                )
            },
            "design_left_h": None if self.design_left_h is None else list(self.design_left_h),
            "form": [FORM_NAMES[k] for k in self.form],
            "wander": [_short(float(WANDERS[k])) for k in self.wander],
            **columns,
        }  # fmt: skip

    @staticmethod
    def read(kept: dict[str, Any]) -> Sketch:
        """Return a sketch that :meth:`document` wrote.

        Raises
        ------
        ValueError, LookupError, TypeError
            If it is none.
        """
        if kept["schema"] != SCHEMA:
            raise ValueError("another version of the sketch")
        design = kept["design_left_h"]

        def column(name: str) -> Floats:
            return np.array(kept[name], dtype=float)

        return Sketch(
            now_kh=kept["now_kh"],
            usual=kept["usual"],
            systematic=kept["systematic"],
            gain_sd=kept["gain_sd"],
            observed_h=kept["observed_h"],
            replace_below=kept["replace_below"],
            form=np.array([FORM_NAMES.index(n) for n in kept["form"]], dtype=np.intp),
            share=column("share"),
            wander=np.array(
                [int(np.argmin(np.abs(WANDERS - w))) for w in kept["wander"]], dtype=np.intp
            ),
            weight=column("weight"),
            level=column("level"),
            loss=column("loss"),
            level_var=column("level_var"),
            cross=column("cross"),
            loss_var=column("loss_var"),
            design_left_h=None if design is None else (design[0], design[1]),
            unseen_h=kept["unseen_h"],
            load_below=kept["load_below"],
            load_sd=kept["load_sd"],
        )


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.{_DIGITS}g}")


def sketch_of_health(health: Health, observed_h: float, replace_below: float) -> Sketch:
    """Return the sketch that an estimate makes; nothing of load and design life in it.

    Parameters
    ----------
    health
        The estimate.
    observed_h, replace_below
        As in :class:`Sketch`.
    """
    posterior, cells = health.posterior, health.posterior.cells
    ahead = max(posterior.now_kh - posterior.last_kh, 0.0)
    mean = np.array([(c.mean[0] + c.mean[-1], c.mean[1]) for c in cells])
    return Sketch(
        now_kh=posterior.now_kh,
        usual=health.usual_loss_per_kh,
        systematic=health.systematic,
        gain_sd=health.gain_sd,
        observed_h=observed_h,
        replace_below=replace_below,
        form=np.array([FORM_NAMES.index(c.form.name) for c in cells], dtype=np.intp),
        share=np.array([c.form.share for c in cells]),
        wander=np.array([int(np.argmin(np.abs(WANDERS - c.wander))) for c in cells], dtype=np.intp),
        weight=posterior.weights(),
        level=mean[:, 0],
        loss=mean[:, 1],
        level_var=np.array(
            [
                c.covariance[0, 0]
                + c.covariance[-1, -1]
                + 2.0 * c.covariance[0, -1]
                + c.wander**2 * ahead
                for c in cells
            ]
        ),
        cross=np.array([c.covariance[0, 1] + c.covariance[1, -1] for c in cells]),
        loss_var=np.array([c.covariance[1, 1] for c in cells]),
    )


def sketch_of(case: Case) -> Sketch | None:
    """Return the sketch of a boat; None where its log does not tell the charger's health."""
    health, evidence = case.health, case.evidence
    if health is None or evidence.now_h is None:
        return None
    start_h, runtime_h = evidence.life.start_h, evidence.runtime_h
    used = runtime_h[evidence.out.used & (runtime_h >= start_h)]
    needed = case.needed
    sketch = sketch_of_health(
        health,
        max(float(evidence.now_h - used.min()) if len(used) else 0.0, 1.0),
        case.config.charger.replace_below,
    )
    return replace(
        sketch,
        design_left_h=design_hours_left(evidence, case.config),
        unseen_h=0.0 if start_h > 0.0 else evidence.runs.hours.unseen_h,
        load_below=None if needed is None else needed.power_w / case.config.charger.rated_w,
        load_sd=0.0 if needed is None else needed.relative_sd,
    )
