"""The log of one fitting as arrays: columns, running hours, runs and energy."""
