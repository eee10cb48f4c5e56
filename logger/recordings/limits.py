"""How much of a recording is taken: the settings of [limits]."""

from __future__ import annotations

from dataclasses import dataclass

from logger.sections import LIMITS


@dataclass(frozen=True, slots=True)
class Limits:
    """How much of a file is taken; see :data:`logger.sections.LIMITS`."""

    longest_line_kb: int = LIMITS.default("longest_line_kb")
    most_columns: int = LIMITS.default("most_columns")
    largest_unpacked_mb: int = LIMITS.default("largest_unpacked_mb")
    most_values: int = LIMITS.default("most_values")
    kept_refusals: int = LIMITS.default("kept_refusals")
