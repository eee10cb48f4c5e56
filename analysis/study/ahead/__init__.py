"""What lies ahead of a boat: early forecasts, the date of replacement, the fuel of a passage."""
