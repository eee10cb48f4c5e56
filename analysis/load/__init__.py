"""The boat's load: other sources, stretches of known charge, daily load, required power."""

from analysis.statistics.put_off import put_off_unused

put_off_unused()  # before a module here loads scipy
