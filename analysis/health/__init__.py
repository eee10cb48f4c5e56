"""Health assessment: how much the charger can give, how that declines, and how well it is known."""
