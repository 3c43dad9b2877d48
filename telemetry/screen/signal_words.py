"""Signals in plain words, for lists and titles."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from telemetry.model.errors import printable
from telemetry.model.signals import EXTRA_PREFIX, ON, cell_number, find_signal, pack_temperature_number
from telemetry.model.words import amount_text

_WORDS: Mapping[str, str] = {
    "soc_reported": "reported state of charge",
    "soc_estimated": "estimated state of charge",
    "soc_uncertainty": "uncertainty of that",
    "soc_lower_bound": "least state of charge",
    "cell_min_voltage": "lowest cell voltage",
    "cell_max_voltage": "highest cell voltage",
    "cell_min_number": "number of the lowest cell",
    "cell_max_number": "number of the highest cell",
    "cell_spread": "cell voltage spread",
    "auxiliary_voltage": "12 V supply",
    "throttle_voltage": "throttle sensor",
    "enable_voltage": "enable line",
    "vehicle_speed": "speed",
    "minutes_left": "time left",
    "minutes_left_low": "time left, at least",
}
"""Where the name in files, blanks for underscores, is not what a person calls it."""


def signal_words(name: str) -> str:
    """Return what a signal is, in a few words: ``motor temperature``, ``pack temperature 2``, ``cell 7``."""
    if (cell := cell_number(name)) is not None:
        return f"cell {cell}"
    return _WORDS.get(name) or printable(name.removeprefix(EXTRA_PREFIX).replace("_", " "), 40)


def value_words(name: str, value: float) -> str:
    """Return a value of ``name`` as it is read: ``25.4 V``; of a switch ``yes`` or ``no``."""
    known = find_signal(name)
    if known is not None and known.is_switch and known.high == 1.0:
        return "yes" if value >= ON else "no"
    return amount_text(name, value)


def signals_in_words(names: Iterable[str]) -> str:
    """Return signals in one line; cells and pack sensors together: ``pack current, cells 1 to 24``."""
    cells, sensors, words = [], [], []
    for name in names:
        if (cell := cell_number(name)) is not None:
            cells.append(cell)
        elif (sensor := pack_temperature_number(name)) is not None:
            sensors.append(sensor)
        else:
            words.append(signal_words(name))
    words += [_span("cell", cells)] if cells else []
    words += [_span("pack temperature", sensors)] if sensors else []
    return ", ".join(words)


def _span(word: str, numbers: list[int]) -> str:
    numbers = sorted(numbers)
    if len(numbers) == 1:
        return f"{word} {numbers[0]}"
    plural = "cells" if word == "cell" else f"{word}s"
    gapless = numbers[-1] - numbers[0] + 1 == len(numbers)
    return f"{plural} {numbers[0]} to {numbers[-1]}" if gapless else f"{len(numbers)} {plural}"
