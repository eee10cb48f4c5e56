"""From health and load to a forecast, a verdict and the assessment document."""
