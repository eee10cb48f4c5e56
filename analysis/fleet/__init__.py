"""A fleet: many boats of one fitter, taken in, assessed, compared with their sisters, ranked."""
