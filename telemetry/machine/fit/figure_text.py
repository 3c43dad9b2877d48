"""A figure with its unit as a person would write it."""

from __future__ import annotations

_LARGER = {"W": "kW", "Wh": "kWh"}
_SMALLER = {"V": "mV", "s": "ms"}


def amount(value: float, unit: str, digits: int = 3) -> str:
    """Return ``value`` to ``digits`` significant digits with its unit: ``10.9 kW``, ``89 mV``, ``6710 A``.

    From 1000 on W and Wh turn into kW and kWh; below 0.1 V and s turn into mV and ms.
    """
    if unit in _LARGER and abs(value) >= 1000:
        value, unit = value / 1000, _LARGER[unit]
    elif unit in _SMALLER and 0 < abs(value) < 0.1:
        value, unit = 1000 * value, _SMALLER[unit]
    return f"{float(f'{value:.{digits}g}'):.12g} {unit}"
