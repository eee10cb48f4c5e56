"""General statistics: likelihoods, robust fits, first passage, windows over arrays."""
