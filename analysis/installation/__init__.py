"""Checks how the charger was fitted, and what has changed since."""
