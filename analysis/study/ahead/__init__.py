"""What lies ahead of a boat: the date of replacement, and the fuel of a passage."""
