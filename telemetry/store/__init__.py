"""The store: one SQLite file in which every session is kept. Knows the model only."""
