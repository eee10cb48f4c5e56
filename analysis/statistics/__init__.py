"""General statistics: likelihoods, robust fits, first passage, windows over arrays."""

from analysis.statistics.put_off import put_off_unused

put_off_unused()  # before a module here loads scipy
