"""The SQLite database: schema and migrations, the one writer, the many readers."""
