"""Watches a traction battery pack during a test drive: model, analysis, store, screen and commands."""
