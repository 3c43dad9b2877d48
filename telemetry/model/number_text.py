"""Numbers as text."""

from __future__ import annotations


def fixed(value: float, places: int) -> str:
    """Return ``value`` with so many decimal places, never as minus zero."""
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0.0 else text
