"""SQLite's file format, read without SQLite: what is left of a damaged file."""
