"""An invented boat that lives: the simulated source, the demonstration and the study use it."""
