"""The daemon's links to the system: service manager, journal, live snapshot, watchers, files."""
