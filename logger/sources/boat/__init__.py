"""Simulates an invented boat for the simulated source, the demonstration and the study."""
