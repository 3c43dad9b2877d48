"""Readers of packs: one file a driver, each found by its entry point in the group ``shakedown.drivers``."""
