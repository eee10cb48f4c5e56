"""Loads a fitting for a person to read, who is told where it is not the configured charger's."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from analysis.history.history import load_fitting
from analysis.text import say

if TYPE_CHECKING:
    from analysis.history.history import History
    from logger.config import Config


def load_shown(config: Config, number: int | None = None) -> tuple[History, Config]:
    """Load a fitting as :func:`~analysis.history.history.load_fitting` does.

    Where the log has nothing yet of the charger in the configuration, as after an exchange, the
    one before it is loaded; standard error says so.
    """
    history, shown = load_fitting(config, number)
    named = config.charger
    same = (named.label, named.fitted) == (shown.charger.label, shown.charger.fitted)
    if number is None and len(history) and not same:
        day = "" if named.fitted is None else f", fitted {named.fitted}"
        say(
            f"the log holds nothing yet of the charger in the configuration ({named.label}{day}): "
            "this is the one before it",
            file=sys.stderr,
        )
    return history, shown
