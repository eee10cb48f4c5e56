"""Figures of the unit's own manual (``[unit]``): for the check list, and compared with the log."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.units import owner

if TYPE_CHECKING:
    from analysis.history.history import History
    from analysis.installation.checklist import Item
    from logger.config import UnitConfig

#: Name and unit of each figure of ``[unit]``.
WORDS = {
    "heel_deg": ("greatest tilt", "deg"),
    "clearance_cm": ("free space", "cm"),
    "exhaust_hose_m": ("exhaust at most", "m"),
    "exhaust_bend_cm": ("bend radius at least", "cm"),
    "intake_c": ("intake air at most", "degC"),
    "fuse_a": ("fuse", "A"),
}
#: Blank to fill in by hand where the configuration does not give the figure.
BLANK = "____"


def figures_of(item: Item, unit: UnitConfig) -> str:
    """Return the manual's figures for one item of the check list, with blanks; "" if it has none.

    >>> from analysis.installation.checklist import ITEMS
    >>> from logger.config import UnitConfig
    >>> figures_of(ITEMS[1], UnitConfig(heel_deg=20.0))
    'by its manual: greatest tilt 20 deg, free space ____ cm'
    """
    told = []
    for key in item.from_manual:
        name, sign = WORDS[key]
        value = getattr(unit, key)
        if sign == "degC":
            sign = owner().units.degree
            value = None if value is None else owner().units.degrees(value)
        told.append(f"{name} {BLANK if value is None else f'{value:g}'} {sign}")
    return f"by its manual: {', '.join(told)}" if told else ""


def against_log(unit: UnitConfig, history: History, rated_a: float) -> list[str]:
    """Return where the log or the nameplate contradicts the manual's figures, as sentences.

    Parameters
    ----------
    unit
        What the manual says.
    history
        The log, whose compartment temperature stands for the air that the unit takes in.
    rated_a
        Current at rated output and nominal voltage, A.
    """
    told, units = [], owner().units
    if unit.intake_c is not None:
        known = np.isfinite(history.temperature_c)
        hours = history.duration_s[known & (history.temperature_c > unit.intake_c)].sum() / 3600.0
        if hours >= 1.0:
            warmest = float(np.max(history.temperature_c[known]))
            told.append(
                f"The compartment was warmer than the {units.temperature(unit.intake_c)} that the "
                f"manual allows for {hours:.0f} h, {units.temperature(warmest)} at most: give it "
                "cooler air."
            )
    if unit.fuse_a is not None and unit.fuse_a < rated_a:
        told.append(
            f"The fuse of {unit.fuse_a:g} A is smaller than the rated current of {rated_a:.1f} A: "
            "look at fuse_a in [unit], at the nameplate, and at the fuse."
        )
    return told
