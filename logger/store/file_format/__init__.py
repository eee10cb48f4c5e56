"""Reads SQLite's file format without SQLite, to recover rows of a damaged file."""
