"""From a device's own names and counts to signals in their units: what ``[source.columns]`` states.

For each of the device's columns the table holds a signal's name, or a table::

    [source.columns]
    u_bat = "pack_voltage"
    i_raw = { signal = "pack_current", scale = 0.0732, offset = -37.5 }      value = raw * scale + offset
    u_raw = { signal = "pack_voltage", points = [[612, 48.20], [731, 57.55]] }   two readings beside a good meter
    t_mot = { signal = "motor_temperature", unknown = [999] }                codes that mean "no reading"

A column that is not named and bears a signal's name passes as it is; any other is carried as ``extra_NAME``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Values
from telemetry.model.errors import Problem, did_you_mean, printable
from telemetry.model.signals import extra_name, find_signal, known_names, nearest_signals

_KEYS = ("signal", "scale", "offset", "points", "unknown")
_EXAMPLE = '{ signal = "pack_voltage", scale = 0.01, offset = 0.0 }'
MOST_LAYOUTS = 256


@dataclass(frozen=True, slots=True)
class Column:
    """What one of the device's columns becomes: ``raw * scale + offset``, in the signal's unit.

    Attributes:
        signal: name from the vocabulary, or ``extra_*``.
        scale: signal units a raw unit; not 0.
        offset: signal units.
        unknown: raw values that mean that there is no reading.

    """

    signal: str
    scale: float = 1.0
    offset: float = 0.0
    unknown: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Layout:
    """How rows of one shape become signals, column by column.

    Attributes:
        signals: one a column, each once.
        scale: float64, shape (columns,).
        offset: float64, shape (columns,).
        unknown: (column, codes) for each column that has any.

    """

    signals: tuple[str, ...]
    scale: npt.NDArray[np.float64]
    offset: npt.NDArray[np.float64]
    unknown: tuple[tuple[int, tuple[float, ...]], ...]

    def apply(self, raw: Values) -> Values:
        """Return ``raw`` (rows, columns) in the signals' units; codes for no reading become NaN."""
        values = raw * self.scale + self.offset
        for column, codes in self.unknown:
            values[np.isin(raw[:, column], codes), column] = np.nan
        return values


def line_through(points: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Return (scale, offset) of the straight line through two points (raw, true): two-point calibration.

    scale = (true2 - true1) / (raw2 - raw1), offset = true1 - raw1 * scale.
    """
    (raw1, true1), (raw2, true2) = points
    scale = (true2 - true1) / (raw2 - raw1)
    return scale, true1 - raw1 * scale


class ColumnMap:
    """Knows every column of one source. ``table`` is ``[source.columns]``, found good by :func:`check_columns`."""

    def __init__(self, table: Mapping[str, Any]) -> None:
        self._stated = {name.strip(): _column(entry) for name, entry in table.items()}
        self._layouts: dict[tuple[str, ...], Layout] = {}

    def is_known(self, name: str) -> bool:
        """Tell whether the column is named in the table or bears the name of a signal that a device may send."""
        return name in self._stated or _passes_as(name) is not None

    def layout(self, names: tuple[str, ...]) -> Layout:
        """Return how rows with these columns become signals; the answer for a shape is kept."""
        found = self._layouts.get(names)
        if found is None:
            if len(self._layouts) >= MOST_LAYOUTS:
                self._layouts.clear()
            found = self._layouts[names] = self._work_out(names)
        return found

    def _work_out(self, names: tuple[str, ...]) -> Layout:
        """Place each column; what the owner stated comes first, then a signal's own name, then extras."""
        columns: dict[int, Column] = {p: self._stated[n] for p, n in enumerate(names) if n in self._stated}
        taken = {column.signal for column in columns.values()}
        for place, name in enumerate(names):
            if place not in columns:
                signal = _passes_as(name)
                if signal is None or signal in taken:
                    signal = _free_name(extra_name(name), taken)
                columns[place] = Column(signal)
                taken.add(signal)
        ordered = [columns[place] for place in range(len(names))]
        return Layout(
            tuple(column.signal for column in ordered),
            np.array([column.scale for column in ordered], dtype=np.float64),
            np.array([column.offset for column in ordered], dtype=np.float64),
            tuple((place, column.unknown) for place, column in enumerate(ordered) if column.unknown),
        )


def check_columns(table: Any, where: str = "columns") -> list[Problem]:
    """Return every problem of a ``[source.columns]`` table, each with its key and what would be right."""
    if not isinstance(table, Mapping):
        return [Problem(where, "is not a table", f"write [source.columns] and lines such as u_bat = {_EXAMPLE}")]
    problems: list[Problem] = []
    first_use: dict[str, str] = {}
    for name, entry in table.items():
        key = f"{where}.{printable(name)}"
        if isinstance(entry, str):
            problems += _check_signal(key, entry)
        elif isinstance(entry, Mapping):
            problems += _check_entry(key, entry)
        else:
            problems.append(Problem(key, "is neither a signal's name nor a table", f"write {_EXAMPLE}"))
        signal = entry.get("signal") if isinstance(entry, Mapping) else entry
        if isinstance(signal, str):
            if signal in first_use:
                problems.append(
                    Problem(
                        key, f"{printable(signal)} is taken by {first_use[signal]}", "name another signal for one"
                    )
                )
            first_use.setdefault(signal, printable(name))
    return problems


def _column(entry: Any) -> Column:
    if isinstance(entry, str):
        return Column(entry)
    unknown = tuple(float(code) for code in entry.get("unknown", ()))
    if "points" in entry:
        scale, offset = line_through(entry["points"])
    else:
        scale, offset = float(entry.get("scale", 1.0)), float(entry.get("offset", 0.0))
    return Column(entry["signal"], scale, offset, unknown)


def _passes_as(name: str) -> str | None:
    """Return the signal that a column of this name is without being told: a measured one of the vocabulary."""
    signal = find_signal(name.lower())
    return None if signal is None or signal.is_derived else signal.name


def _free_name(name: str, taken: Iterable[str]) -> str:
    """Return ``name``, numbered if it is taken; two columns may differ only in what a signal's name cannot hold."""
    number, free = 2, name
    while free in taken:
        free = f"{name[: 62 - len(str(number))]}_{number}"
        number += 1
    return free


def _check_entry(key: str, entry: Mapping[str, Any]) -> list[Problem]:
    problems = [
        Problem(f"{key}.{printable(k)}", "is not a column setting", f"use {', '.join(_KEYS)}{did_you_mean(k, _KEYS)}")
        for k in entry
        if k not in _KEYS
    ]
    if "signal" in entry:
        problems += _check_signal(f"{key}.signal", entry["signal"])
    else:
        problems.append(Problem(key, "names no signal", f"write {_EXAMPLE}"))
    for name in ("scale", "offset"):
        if name in entry and not is_number(entry[name]):
            problems.append(Problem(f"{key}.{name}", "is not a number", f"write {name} = 1.0, say"))
    if is_number(entry.get("scale")) and entry["scale"] == 0:
        problems.append(Problem(f"{key}.scale", "is 0, so every value would be the same", "leave it out for 1"))
    if "points" in entry:
        problems += _check_points(key, entry)
    unknown = entry.get("unknown", [])
    if not isinstance(unknown, list) or not all(map(is_number, unknown)):
        problems.append(Problem(f"{key}.unknown", "is not a list of numbers", "write unknown = [999], say"))
    return problems


def _check_points(key: str, entry: Mapping[str, Any]) -> list[Problem]:
    where, points = f"{key}.points", entry["points"]
    if "scale" in entry or "offset" in entry:
        return [Problem(where, "stands beside scale or offset", "keep one way to say it")]
    shaped = isinstance(points, list) and [len(p) if isinstance(p, list) else 0 for p in points] == [2, 2]
    if not shaped or not all(is_number(value) for point in points for value in point):
        return [Problem(where, "is not two pairs of numbers", "write points = [[raw1, true1], [raw2, true2]]")]
    problems = []
    if points[0][0] == points[1][0]:
        problems.append(Problem(where, "has the same raw value twice", "take the second reading at another level"))
    if points[0][1] == points[1][1]:
        problems.append(Problem(where, "has the same true value twice", "take the second reading at another level"))
    return problems


def _check_signal(key: str, name: Any) -> list[Problem]:
    if not isinstance(name, str):
        return [Problem(key, "is not a signal's name", 'write "pack_voltage", say')]
    signal = find_signal(name)
    shown = printable(name)
    if signal is None:
        near = nearest_signals(name)
        right = f"did you mean {', '.join(near)}?" if near else f"use a signal such as {', '.join(known_names()[:3])}"
        return [Problem(key, f"there is no signal {shown}", f"{right} or carry it as {extra_name(name)}")]
    if signal.is_derived:
        return [Problem(key, f"{shown} is computed here and not read", f"carry it as {extra_name(name)}")]
    return []


def is_number(value: Any) -> bool:
    """Tell whether a TOML value is a finite number; true and false are not."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
