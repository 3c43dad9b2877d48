"""Sentences and units as a person reads them, made of words that are kept in small letters."""

from __future__ import annotations

import re

_WORD = re.compile(r"[a-z]+[ ,:'-]")
"""What may be given a capital: no signal or setting, whose names hold underscores and points."""
_SIGNS = {"degC": "°C", "ohm": "Ω"}


def capital(text: str) -> str:
    """Return ``text`` with its first letter a capital."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return ``text`` with a capital where it begins with a word, and a full stop."""
    text = text.strip()
    text = capital(text) if _WORD.match(text) else text
    return text if not text or text[-1] in ".!?" else f"{text}."


def counted(number: int, thing: str) -> str:
    """Return ``1 alarm``, ``2 alarms``."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def printed_unit(unit: str) -> str:
    """Return a signal's unit as it is printed: ``°C``, ``Ω``, any other as it is."""
    return _SIGNS.get(unit, unit)
