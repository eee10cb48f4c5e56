"""How the charger was fitted, and what has changed since."""
