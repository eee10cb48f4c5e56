"""Recordings: files of readings, as they come from other loggers, spreadsheets and people."""
