"""The boat's load: other sources, stretches of known charge, daily load, required power."""
