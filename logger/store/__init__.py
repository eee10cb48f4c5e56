"""The SQLite file: schema and migrations, the one writer, the many readers."""
