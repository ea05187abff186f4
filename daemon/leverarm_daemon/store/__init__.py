"""The store of record: one SQLite file, one writer, many readers."""
