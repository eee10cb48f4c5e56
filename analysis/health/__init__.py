"""Health assessment: how much the charger can give, how that declines, and how well it is known."""

from analysis.statistics.put_off import put_off_unused

put_off_unused()  # before a module here loads scipy
