"""Logs in and out: imports, merges and exports, each stretch of time counted once."""
