"""Two sources of one charger: joined by time, and held against each other."""
