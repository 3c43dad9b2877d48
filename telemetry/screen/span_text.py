"""The figures of the span as text."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.analysis.stretch import StretchFigures
from telemetry.model.number_text import energy_text, fixed, power_text
from telemetry.model.time_text import length

_SEEN = 0.005
"""Part of the larger direction from which on the smaller one is worth its place."""


def span_items(found: StretchFigures) -> list[str]:
    """Return the figures that are known, what matters most first."""
    items = _both(found.energy_out_wh, found.energy_in_wh, energy_text)
    items += _both(found.charge_out_ah, found.charge_in_ah, lambda ah: f"{ah:.{2 if ah < 10 else 1}f} Ah")
    if found.mean_power_w is not None:
        items.append(f"mean {power_text(found.mean_power_w)}")
    if found.peak_power_w is not None:
        items.append(f"peak {power_text(found.peak_power_w)}")
    if found.lowest_v is not None:
        items.append(f"lowest pack {found.lowest_v:.1f} V")
    if found.lowest_cell_v is not None:
        which = "" if found.lowest_cell is None else f" ({found.lowest_cell})"
        items.append(f"lowest cell {found.lowest_cell_v:.3f} V{which}")
    if found.resistance_mohm is not None:
        items.append(f"10 s resistance {_with_bound(found.resistance_mohm, found.resistance_bound_mohm)} mΩ")
    elif found.energy_out_wh is not None:
        items.append(f"resistance not known: {found.why_no_resistance}")
    if found.gaps_s >= 1.0:
        items.append(f"{length(found.gaps_s)} of gaps left out")
    return items


def _both(out: float | None, into: float | None, text: Callable[[float], str]) -> list[str]:
    if out is None or into is None:
        return []
    most = max(out, into)
    ways = ((out, "out"), (into, "in"))
    return [f"{text(amount)} {way}" for amount, way in ways if amount >= _SEEN * most and (amount or way == "out")]


def _with_bound(value: float, bound: float | None) -> str:
    if bound is None:
        return f"{value:.3g}"
    places = 2 if bound < 0.095 else 1 if bound < 0.95 else 0
    return f"{fixed(value, places)} ± {bound:.{places}f}"
