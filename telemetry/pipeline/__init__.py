"""The way of a value: supervisor, gather, stages, bus, session."""
