"""Where the work on many boats runs: a pool of processes here, or a scheduler of many machines."""
