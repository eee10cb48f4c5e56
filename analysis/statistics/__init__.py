"""Statistics that know no charger: likelihoods, robust fits, first passage, windows over arrays."""
