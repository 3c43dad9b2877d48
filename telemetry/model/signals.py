"""The vocabulary: every signal by name, with its unit, meaning and what is physically possible.

A name serves unchanged as SQL column, CSV header, Parquet field and Python attribute. Units are fixed; sources
convert. Current is **positive out of the pack** (discharge) and negative into it (charging, regenerative braking).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container
from dataclasses import dataclass
from functools import cache, lru_cache

from telemetry.model.errors import nearest

ON = 0.5
"""A flag (discharge allowed, implement engaged) is 1 or 0, and a mean of it between: it counts as on from here."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One measured or derived quantity.

    Attributes:
        name: snake_case identifier.
        unit: SI or trade unit as printed; empty for a pure number.
        meaning: what it is, in words for the owner.
        low: lowest physically possible value in ``unit``; below it a reading is unknown.
        high: highest physically possible value in ``unit``; above it a reading is unknown.
        is_switch: 0 or 1; between rows it holds its value and is never interpolated.
        is_derived: computed by us from measured signals, never read from a source.

    """

    name: str
    unit: str
    meaning: str
    low: float
    high: float
    is_switch: bool = False
    is_derived: bool = False


# Possible ranges are generous: they catch a dead wire or a decoding error, not a bad pack. A cell at 0.000 V is how
# many BMSs say "not read yet", so a cell's range starts above it. Common practice, from memory.
_CELL = (0.1, 6.0)
_TEMPERATURE = (-60.0, 250.0)

_FIXED = (
    Signal("pack_voltage", "V", "voltage at the pack terminals", -5.0, 1500.0),
    Signal("controller_voltage", "V", "voltage at the motor controller's battery terminals", -5.0, 1500.0),
    Signal("pack_current", "A", "current, positive out of the pack", -5000.0, 5000.0),
    Signal("soc_reported", "%", "state of charge reported by the BMS", 0.0, 110.0),
    Signal("cell_min_voltage", "V", "lowest cell voltage", *_CELL),
    Signal("cell_max_voltage", "V", "highest cell voltage", *_CELL),
    Signal("motor_temperature", "degC", "motor temperature", *_TEMPERATURE),
    Signal("controller_temperature", "degC", "motor controller temperature", *_TEMPERATURE),
    Signal("auxiliary_voltage", "V", "12 V supply of lamps, relays and contactor coils", -5.0, 60.0),
    Signal("insulation_resistance", "ohm", "insulation resistance from pack to frame", 0.0, 1e9),
    Signal("ambient_temperature", "degC", "air temperature", *_TEMPERATURE),
    Signal("discharge_allowed", "", "the BMS allows discharge", 0.0, 1.0, is_switch=True),
    Signal("charge_allowed", "", "the BMS allows charge", 0.0, 1.0, is_switch=True),
    Signal("throttle_voltage", "V", "signal of the throttle sensor", -5.0, 60.0),
    Signal("enable_voltage", "V", "the controller's key, seat or brake enable line", -5.0, 1500.0),
    Signal("motor_current", "A", "motor current", -5000.0, 5000.0),
    Signal("motor_speed", "rpm", "motor speed", -50000.0, 50000.0),
    Signal("vehicle_speed", "km/h", "speed over ground", -200.0, 400.0),
    Signal("latitude", "deg", "latitude, north positive", -90.0, 90.0),
    Signal("longitude", "deg", "longitude, east positive", -180.0, 180.0),
    Signal("implement_engaged", "", "cutting deck, spreader or winch engaged", 0.0, 1.0, is_switch=True),
    Signal("charger_input_power", "W", "power drawn by the charger at the wall", -100.0, 100000.0),
    Signal("pack_power", "W", "power, positive out of the pack", -7.5e6, 7.5e6, is_derived=True),
    Signal("cell_spread", "V", "highest less lowest cell voltage", 0.0, 6.0, is_derived=True),
    Signal(
        "cell_spread_rest",
        "V",
        "cell voltage spread at rest, away from full and empty",
        0.0,
        6.0,
        is_derived=True,
    ),
    Signal(
        "cell_spread_load",
        "V",
        "cell voltage spread under load, less each cell's own resistive sag, away from full and empty",
        0.0,
        6.0,
        is_derived=True,
    ),
    Signal("cell_spread_top", "V", "cell voltage spread, highest cell nearly full", 0.0, 6.0, is_derived=True),
    Signal(
        "cell_imbalance_top",
        "%",
        "charge the average cell still lacks when the first cell is full, of the capacity",
        0.0,
        100.0,
        is_derived=True,
    ),
    Signal(
        "cell_charge_deficit",
        "%",
        "charge the lowest cell lacks against the median cell, at least, of the capacity",
        0.0,
        200.0,
        is_derived=True,
    ),
    Signal("cell_charge_deficit_number", "", "number of that cell", 1.0, 999.0, is_switch=True, is_derived=True),
    Signal(
        "cell_resistance_ratio",
        "",
        "highest internal resistance of a cell, links included, over that of the median cell",
        0.0,
        1e6,
        is_derived=True,
    ),
    Signal("cell_resistance_ratio_number", "", "number of that cell", 1.0, 999.0, is_switch=True, is_derived=True),
    Signal(
        "discharge_current_average",
        "A",
        "steady discharge current that would heat pack and wiring equally",
        0.0,
        5000.0,
        is_derived=True,
    ),
    Signal(
        "charge_current_average",
        "A",
        "steady charge current that would heat pack and wiring equally",
        -5000.0,
        0.0,
        is_derived=True,
    ),
    Signal("charging", "", "a charger feeds the pack", 0.0, 1.0, is_switch=True, is_derived=True),
    Signal(
        "minutes_since_full",
        "min",
        "time a charger has kept feeding a full pack",
        0.0,
        1e6,
        is_derived=True,
    ),
    Signal(
        "cold_charge_current",
        "A",
        "charging current while the coldest sensor forbids it, else 0",
        0.0,
        5000.0,
        is_derived=True,
    ),
    Signal(
        "cool_charge_current",
        "A",
        "charging current while the coldest sensor allows only a reduced one, else 0",
        0.0,
        5000.0,
        is_derived=True,
    ),
    Signal(
        "hot_charge_current",
        "A",
        "charging current while the hottest sensor forbids it, else 0",
        0.0,
        5000.0,
        is_derived=True,
    ),
    Signal(
        "path_heat",
        "W",
        "heat between pack and controller, less that of the stated conductor",
        0.0,
        1e6,
        is_derived=True,
    ),
    Signal("cell_min_number", "", "number of the lowest cell", 1.0, 999.0, is_switch=True, is_derived=True),
    Signal("cell_max_number", "", "number of the highest cell", 1.0, 999.0, is_switch=True, is_derived=True),
    Signal("soc_estimated", "%", "estimated state of charge", -10.0, 110.0, is_derived=True),
    Signal("soc_uncertainty", "%", "one standard deviation of soc_estimated", 0.0, 100.0, is_derived=True),
    Signal(
        "soc_lower_bound", "%", "least state of charge, by the estimate or the BMS", -10.0, 110.0, is_derived=True
    ),
    Signal("energy_left", "Wh", "energy left, at least", 0.0, 1e9, is_derived=True),
    Signal("minutes_left", "min", "time left at the rate of the last 10 minutes", 0.0, 1e6, is_derived=True),
    Signal("minutes_left_low", "min", "the same, lower end of its 90 % interval", 0.0, 1e6, is_derived=True),
    Signal("minutes_left_session", "min", "time left at the rate of the whole session", 0.0, 1e6, is_derived=True),
    Signal("hectares_left", "ha", "area left at the rate of the whole session", 0.0, 1e6, is_derived=True),
    Signal(
        "energy_margin", "Wh", "least energy left less the need of the remaining area", -1e9, 1e9, is_derived=True
    ),
    Signal("charge_out", "Ah", "charge taken out since the start", 0.0, 1e9, is_derived=True),
    Signal("charge_in", "Ah", "charge put in since the start", 0.0, 1e9, is_derived=True),
    Signal("energy_out", "Wh", "energy taken out since the start", 0.0, 1e12, is_derived=True),
    Signal("energy_in", "Wh", "energy put in since the start", 0.0, 1e12, is_derived=True),
    Signal("pack_resistance", "ohm", "internal resistance of the pack, 1 s", 0.0, 100.0, is_derived=True),
    Signal("pack_resistance_10s", "ohm", "internal resistance of the pack, 10 s", 0.0, 100.0, is_derived=True),
    Signal(
        "pack_resistance_change",
        "%",
        "change of pack resistance since this machine's earlier sessions under like conditions",
        -100.0,
        1e5,
        is_derived=True,
    ),
)
_BY_NAME = {signal.name: signal for signal in _FIXED}
# One name a number: from 1, cells with at least two digits and no more than needed, sensors without leading zeros.
_CELL_NAME = re.compile(r"cell_(0[1-9]|[1-9]\d{1,2})_voltage", re.ASCII)
_PACK_TEMPERATURE_NAME = re.compile(r"pack_temperature_([1-9]\d?)", re.ASCII)
_IDENTIFIER = re.compile(r"[a-z][a-z0-9_]{0,62}", re.ASCII)
EXTRA_PREFIX = "extra_"
CELL_FIGURES = ("cell_spread", "cell_min_voltage", "cell_max_voltage", "cell_min_number", "cell_max_number")
"""What is made of each row of cell voltages."""


@cache
def find_signal(name: str) -> Signal | None:
    """Return the vocabulary's signal of that name, or None. ``extra_*`` names are always known, without limits."""
    if name in _BY_NAME:
        return _BY_NAME[name]
    if cell := _CELL_NAME.fullmatch(name):
        return Signal(name, "V", f"voltage of cell {int(cell[1])}", *_CELL)
    if sensor := _PACK_TEMPERATURE_NAME.fullmatch(name):
        return Signal(name, "degC", f"pack temperature, sensor {int(sensor[1])}", *_TEMPERATURE)
    if name.startswith(EXTRA_PREFIX) and is_identifier(name):
        return Signal(name, "", f"{name.removeprefix(EXTRA_PREFIX)}, carried through", -float("inf"), float("inf"))
    return None


def cell_name(number: int) -> str:
    """Return the signal name of cell ``number`` (from 1): ``cell_07_voltage``."""
    return f"cell_{number:02d}_voltage"


@lru_cache(maxsize=1024)
def cell_number(name: str) -> int | None:
    """Return 7 for ``cell_07_voltage``, None for any other name."""
    match = _CELL_NAME.fullmatch(name)
    return int(match[1]) if match else None


@lru_cache(maxsize=1024)
def pack_temperature_number(name: str) -> int | None:
    """Return 2 for ``pack_temperature_2``, None for any other name."""
    match = _PACK_TEMPERATURE_NAME.fullmatch(name)
    return int(match[1]) if match else None


def is_identifier(name: str) -> bool:
    """Return whether ``name`` can be an unquoted column: lower case, digits, underscore, 63 at the most."""
    return _IDENTIFIER.fullmatch(name) is not None


def extra_name(name: str) -> str:
    """Return ``extra_NAME`` for a column outside the vocabulary, without accents; all else unfit is an underscore."""
    plain = re.sub(r"[\u0300-\u036f]", "", unicodedata.normalize("NFKD", name)).lower()
    clean = re.sub(r"[^a-z0-9]+", "_", plain, flags=re.ASCII).strip("_") or "column"
    return (clean if clean.startswith(EXTRA_PREFIX) else EXTRA_PREFIX + clean)[:63]


def free_name(name: str, taken: Container[str]) -> str:
    """Return ``name``, or ``name_2``, ``name_3`` ... where it is taken; never longer than an identifier may be."""
    number, free = 1, name
    while free in taken:
        number += 1
        ending = f"_{number}"
        free = name[: 63 - len(ending)] + ending
    return free


def passes_as(name: str) -> str | None:
    """Return the signal that a column of this name is without being told: a measured one of the vocabulary."""
    signal = find_signal(name.lower())
    return None if signal is None or signal.is_derived else signal.name


def known_names() -> list[str]:
    """Return the names of the vocabulary, measured first, with one sample each of the numbered ones."""
    return [*_BY_NAME, "cell_01_voltage", "pack_temperature_1"]


def nearest_signals(name: str) -> list[str]:
    """Return up to three signal names that look like ``name``, best first."""
    return nearest(name.lower(), known_names())
