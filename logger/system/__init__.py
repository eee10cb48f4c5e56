"""What the daemon shares with the system: service manager, journal, live snapshot, watchers."""
