"""Which signal each column of a table is, in which unit, and which way its current counts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.columns import Column
from telemetry.model.recording import Recording
from telemetry.model.signals import cell_name, cell_number, find_signal
from telemetry.recordings.foreign.column_names import Meaning, meaning_of, short_cell
from telemetry.recordings.foreign.column_units import Conversion
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.foreign.proposal import Proposal, sign_unknown, turned_round
from telemetry.recordings.foreign.text_layout import TextLayout

FEWEST_STEPS = 12
"""With so many steps, four in five of one sign come by chance once in 50 times at most (binomial, p = 0.5)."""
_AGREE = 0.8
_CELL_V, _CELL_MV = (1.5, 4.6), (1500.0, 4600.0)
"""What cells of all usual chemistries show in use, V and mV (common practice)."""
_LEAST_PACK_V = 1.0
"""A pack shows more than half the voltage of its emptiest cell; from memory."""
_ROWS_FOR_SIGN = 500_000
_FEWEST_SHORT = 3
"""Columns called C1, C2, C3 are cells from so many on; a V1 and a V2 are as likely two meters."""


def find_signals(layout: TextLayout, found: Proposal) -> None:
    """Settle what each column is that is not the time; of two that could be one signal the first."""
    columns: dict[str, Column] = {}
    taken: set[str] = set()
    meant = {
        name: meaning_of(name, layout.units[place] if layout.units else "")
        for place, name in enumerate(layout.header)
        if name not in found.column_map.time
    }
    out, into = _two_ways(meant)
    joined = len(out) == len(into) == 1 and len({meant[name].stated for name in out | into}) == 1
    halves = into if joined else out | into
    for name, signal in _cells_first(layout, meant):
        meaning = meant[name]
        if name in halves:
            found.doubts[name] = "charge: taken off the discharge" if joined else _NOT_NET
            continue
        if not signal or signal in taken:
            if signal:
                found.doubts[name] = f"{signal} is taken by another column; kept as an extra"
            continue
        numbers = layout.numbers(layout.header.index(name))
        conversion, doubt = _fitting_unit(signal, meaning.stated, numbers)
        if conversion is None:
            found.doubts[name] = doubt
            continue
        if doubt:
            found.doubts[name] = doubt
        taken.add(signal)
        columns[name] = Column(signal=signal, scale=conversion.scale, offset=conversion.offset)
    charge = next(iter(into)) if joined and out <= columns.keys() else None
    found.column_map = replace(found.column_map, columns=columns, charge_column=charge)


_NOT_NET = "charge and discharge in several columns; kept as extras, for a net current is needed"


def _two_ways(meant: dict[str, Meaning]) -> tuple[set[str], set[str]]:
    """Return the columns of discharge and of charge, where there are both: neither alone is the pack's current."""
    flows = {name: each.words for name, each in meant.items() if each.signal == "pack_current"}
    out = {name for name, words in flows.items() if re.search(r"\bdis ?charge", words)}
    into = {name for name, words in flows.items() if re.search(r"\b(?:charge|charging|regen)", words)} - out
    return (out, into) if out and into else (set(), set())


def _cells_first(layout: TextLayout, meant: dict[str, Meaning]) -> Iterator[tuple[str, str]]:
    """Give each column's signal; cells counted from 0, and ``C1`` to ``C16``, are cells where they stand together."""
    short = {name: number for name, each in meant.items() if (number := short_cell(each.words)) is not None}
    if (
        len(short) < _FEWEST_SHORT
        or len(set(short.values())) < len(short)
        or any(meant[name].signal == "cell_01_voltage" for name in meant)
    ):
        short = {}
    short = {name: number for name, number in short.items() if _is_cell(layout, name)}
    zero = any(each.signal == "cell_0" for each in meant.values()) or 0 in short.values()
    for name, each in meant.items():
        signal = cell_name(short[name]) if short.get(name) else "cell_0" if name in short else each.signal
        number = 0 if signal == "cell_0" else cell_number(signal)
        yield name, cell_name(number + 1) if zero and number is not None else signal


def _is_cell(layout: TextLayout, name: str) -> bool:
    numbers = layout.numbers(layout.header.index(name))
    return any(_within(numbers, *limits) for limits in (_CELL_V, _CELL_MV))


def _fitting_unit(signal: str, stated: Conversion | None, numbers: Values) -> tuple[Conversion | None, str]:
    """Return how numbers become the signal, and what is doubtful; None where they cannot be the signal."""
    known = find_signal(signal)
    if known is None:
        return None, ""
    unit = stated or Conversion(known.unit)
    if not np.isfinite(numbers).any():
        return unit, ""
    if known.unit == "%" and _within(numbers, 0.0, 1.0) and bool(np.any(numbers % 1 > 0)):
        return Conversion("%", 100.0), "its values are between 0 and 1; read as shares of a full charge"
    is_cell = cell_number(signal) is not None or signal in ("cell_min_voltage", "cell_max_voltage")
    if is_cell and stated is None and _within(numbers, *_CELL_MV):
        return Conversion("V", 1e-3), ""
    if _within(numbers * unit.scale + unit.offset, known.low, known.high):
        strange = is_cell and stated is None and not _within(numbers, *_CELL_V)
        if signal == "pack_voltage" and float(np.nanmedian(numbers)) * unit.scale < _LEAST_PACK_V:
            return unit, "unlikely voltages for a pack: check its unit and its marks of decimals and thousands"
        return unit, "unlikely voltages for a cell" if strange else ""
    if unit == Conversion(known.unit) and known.unit in ("V", "A") and _within(numbers * 1e-3, known.low, known.high):
        why = "no unit is stated" if stated is None else f"impossible in {known.unit}"
        return Conversion(known.unit, 1e-3), f"{why}; read as m{known.unit}"
    return None, _UNLIKELY


_UNLIKELY = "its values are impossible for that signal; kept as an extra"


def _within(numbers: Values, low: float, high: float) -> bool:
    known = numbers[np.isfinite(numbers)]
    return len(known) > 0 and bool(np.quantile(known, 0.05) >= low and np.quantile(known, 0.95) <= high)


def find_sign(path: Path, found: Proposal) -> None:
    """Settle which way the current counts: by the voltage of the whole recording, else it is asked."""
    turned, flows = sign_in(MappedTable(path, found.column_map))
    current = next((name for name, what in found.column_map.columns.items() if what.signal == "pack_current"), "")
    if turned:
        found.column_map = turned_round(found.column_map)
        found.doubts[current] = "sign reversed: voltage rises with it, so positive means charging"
    elif turned is None and flows and found.column_map.charge_column is None:
        found.unknown.append(sign_unknown(current))


def sign_in(recording: Recording) -> tuple[bool | None, bool]:
    """Return whether positive current charges, by the voltage (None: it does not tell), and whether any flows."""
    signals = {name for group in recording.groups for name in group.signals}
    against = next((each for each in ("pack_voltage", "controller_voltage") if each in signals), None)
    if "pack_current" not in signals:
        return None, False
    turned, volts, amps = None, np.empty(0), np.empty(0)
    for span in recording.spans():
        for _, seen in span.carrying("pack_current"):
            amps = np.append(amps, seen)
        for _, seen in span.carrying(against or ""):
            volts = np.append(volts, seen)
        if against is not None:
            turned = is_charge_positive(volts, amps)
        if turned is not None or len(amps) > _ROWS_FOR_SIGN:
            break
    return turned, bool(np.any(np.abs(amps) > 0))


def is_charge_positive(voltage: Values, current: Values) -> bool | None:
    """Return whether positive current charges; None where the steps of current are too few, or do not agree.

    Args:
        voltage: V, shape (rows,); current: A, likewise, rows at one instant. NaN where unknown.

    """
    known = np.isfinite(voltage) & np.isfinite(current)
    rise, step = np.diff(voltage[known]), np.diff(current[known])
    telling = rise * step != 0
    if np.count_nonzero(telling) < FEWEST_STEPS:
        return None
    rise, step = rise[telling], step[telling]
    large = np.abs(step) >= np.quantile(np.abs(step), 0.5)
    if np.count_nonzero(large) >= FEWEST_STEPS:
        rise, step = rise[large], step[large]
    together = float(np.mean(rise * step > 0))
    return True if together >= _AGREE else False if together <= 1 - _AGREE else None
