"""What the boat draws: other sources, stretches of known charge, daily load, required power."""
