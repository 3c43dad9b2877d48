"""Figures from rows: pure numpy, no input or output."""
