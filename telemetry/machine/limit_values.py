"""The values of ``[limits.NAME]``: unit and plausible range, other units, and limits by what people call them."""

from __future__ import annotations

import re
import sys
from collections import Counter
from dataclasses import replace
from decimal import Decimal
from fnmatch import fnmatchcase
from typing import Any

from telemetry.machine.limits import CONDITION_NAMES, LIMIT_NAMES, LIMIT_SIGNALS
from telemetry.machine.sections import find_key, section_keys
from telemetry.model.errors import nearest
from telemetry.model.keys import Key, meant
from telemetry.model.kinds import Number, is_quantity, read_typed
from telemetry.model.signals import find_signal
from telemetry.model.units import converted, key_ending, quantity, siblings
from telemetry.model.words import printed_unit

IN_THE_SIGNALS_UNIT = ("warn", "trip", "clear_margin")
PLAUSIBLE: tuple[tuple[str, float, float], ...] = (
    ("cell_spread*", 0.001, 2.0),
    ("cell_m*_voltage", 0.5, 6.0),
    ("auxiliary_voltage", 0.5, 60.0),
    ("*_voltage", 0.5, 600.0),
    ("pack_temperature_*", -60.0, 100.0),
    ("*_temperature", -60.0, 250.0),
    ("*_current*", -5000.0, 5000.0),
    ("insulation_resistance", 100.0, 1e9),
    ("cell_resistance_ratio", 1.0, 100.0),
    ("soc_*", 1.0, 100.0),
    ("cell_*", 0.1, 100.0),
    ("pack_resistance_change", 1.0, 1000.0),
    ("minutes_*", 1.0, 10000.0),
    ("energy_*", -1e6, 1e6),
    ("path_heat", 1.0, 10000.0),
)
"""By pattern of the signal, the first that fits: where an owner's bound can lie, in the signal's unit. Wide on
purpose: a bound outside is a typing error, most often the wrong unit. 0 always passes."""

_MEANINGS: dict[str, tuple[str, ...]] = {
    "imbalance unbalance unbalanced balance balancing": ("cell-imbalance-top", "cell-charge-low"),
    "spread delta difference": ("cell-spread-rest", "cell-spread-load", "cell-imbalance-top"),
    "weak bad cell": ("cell-resistance", "cell-charge-low"),
    "overcurrent amps current load discharge": ("discharge-current", "discharge-peak"),
    "peak surge": ("discharge-peak", "charge-peak"),
    "charge charging regen braking": ("charge-current", "charge-peak"),
    "undervoltage sag empty flat": ("pack-voltage-low", "cell-voltage-low"),
    "overvoltage": ("pack-voltage-high", "cell-voltage-high"),
    "battery soc capacity remaining": ("soc-low", "pack-voltage-low"),
    "range area": ("energy-left", "soc-low"),
    "temp temps temperature overheat overheating overtemp overtemperature hot": (
        *("pack-temperature-high", "motor-temperature-high", "controller-temperature-high"),
    ),
    "cold frost freezing undertemp": ("charging-cold", "pack-temperature-low"),
    "motor": ("motor-temperature-high",),
    "controller inverter": ("controller-temperature-high", "supply-lost"),
    "aux auxiliary 12v": ("auxiliary-voltage-low",),
    "insulation isolation leak leakage ground earth": ("insulation-low",),
    "lug joint connector connection terminal": ("joint-heating", "cell-resistance"),
    "charger float overcharge": ("charger-left-on", "cell-voltage-high"),
    "bms trip shutdown": ("discharge-disabled", "charge-disabled"),
    "frozen stuck": ("source-frozen",),
    "fault error code status": ("fault-code",),
    "lost offline timeout silent connection": ("link", "source-frozen"),
    "resistance aging ageing age": ("resistance-up", "cell-resistance"),
    "disk": ("recording",),
    "bug crash internal": ("program-error",),
}
"""What people call things, and which limits watch them."""


def limit_unit(limit: str) -> str:
    """Return the unit of a limit's bounds as it is printed: ``V``, ``°C``, ``Ω``; empty for a plain number."""
    signal = find_signal(LIMIT_SIGNALS[limit].replace("*", "1"))
    return "" if signal is None else printed_unit(signal.unit)


def limit_key(limit: str, name: str) -> Key:
    """Return the key ``name`` of ``[limits.LIMIT]`` with the unit and the plausible range of what the limit watches.

    Raises:
        KeyError: there is no such limit or key.

    """
    key, signal = find_key("limits", name), LIMIT_SIGNALS[limit]
    if name not in IN_THE_SIGNALS_UNIT or limit in CONDITION_NAMES:
        return replace(key, section=f"limits.{limit}")
    low, high = next((low, high) for pattern, low, high in PLAUSIBLE if fnmatchcase(signal, pattern))
    if name == "clear_margin":
        low, high = 0.0, high - min(low, 0.0)
    return replace(key, section=f"limits.{limit}", kind=Number(low, high), measured_in=limit_unit(limit))


def other_units(limit: str) -> dict[str, tuple[str, str]]:
    """Return the keys that state a bound in another unit: ``{"warn_mv": ("warn", "mV"), ...}``."""
    if limit in CONDITION_NAMES or not limit_unit(limit):
        return {}
    units = (limit_unit(limit), *siblings(limit_unit(limit)))
    return {
        f"{name}{key_ending(unit)}": (name, unit)
        for name in IN_THE_SIGNALS_UNIT
        for unit in units
        if key_ending(unit)
    }


def limit_key_names(limit: str) -> tuple[str, ...]:
    """Return the keys that ``[limits.LIMIT]`` may have, ours first and those in other units after."""
    return (*(key.name for key in section_keys("limits")), *other_units(limit))


def read_limit_value(limit: str, name: str, value: object, unit: str = "") -> Any:
    """Return a value of the file as the override holds it; ``unit``: what it is stated in, where not the signal's.

    Raises:
        BadValue: it is not what the key takes.

    """
    key = limit_key(limit, name)
    if value == 0 and isinstance(key.kind, Number) and key.range[0] > 0:
        key = replace(key, kind=Number(0.0, key.range[1]))
    if unit and is_quantity(value):
        value = converted(Decimal(repr(value)), unit, key.unit)
    elif unit:
        key = replace(key, kind=Number(-sys.float_info.max, sys.float_info.max), measured_in=unit)
    return key.read(value)


def read_typed_limit(limit: str, name: str, said: str, unit: str = "") -> Any:
    """Return a value as a person types it, such as ``50 mV`` or ``2%``; ``unit`` where no unit is typed.

    Raises:
        BadValue: it is in another kind of unit, or not what the key takes.

    """
    key = limit_key(limit, name)
    plain = quantity(said)
    value = meant(key, f"{said} {unit}" if plain is not None and not plain.unit else said)
    return read_typed(key, said) if value is None else read_limit_value(limit, name, value)


def limits_meant(name: str) -> tuple[str, ...]:
    """Return up to three limits that a person may mean by ``name``, best first: by spelling, then by meaning."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
    spelt = nearest(plain, LIMIT_NAMES, 1)
    if spelt and nearest(plain, spelt, 1, 0.85):
        return tuple(spelt)
    score: Counter[str] = Counter()
    for word in plain.split("-"):
        for words, limits in _MEANINGS.items():
            if word in words.split():
                score.update({limit: 10 - place for place, limit in enumerate(limits)})
    for limit in score:
        score[limit] += 4 * len(set(plain.split("-")) & set(limit.split("-")))
    return tuple(limit for limit, _ in score.most_common(3)) or tuple(spelt)
