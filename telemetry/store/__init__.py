"""Sessions in SQLite: schema, one writer thread, readers."""
