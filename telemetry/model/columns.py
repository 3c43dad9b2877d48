"""From the names and counts of a device or another logger to signals in their units.

``[source.columns]`` of a machine file states it, and so does ``[columns]`` of a column map. For each column the table
holds a signal's name, or a table::

    [source.columns]
    u_bat = "pack_voltage"
    i_raw = { signal = "pack_current", scale = 0.0732, offset = -37.5 }      value = raw * scale + offset
    u_raw = { signal = "pack_voltage", points = [[612, 48.20], [731, 57.55]] }   two readings beside a good meter
    t_mot = { signal = "motor_temperature", unknown = [999] }                codes that mean "no reading"

A column that is not named and bears a signal's name passes as it is; any other is carried as ``extra_NAME``.
"""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.errors import Problem, printable
from telemetry.model.keys import BadValue, Key, Kind, described, setting
from telemetry.model.kinds import ANY_NUMBER, Text, Words
from telemetry.model.signals import extra_name, find_signal, free_name, known_names, nearest_signals, passes_as
from telemetry.model.tables import Inner, Named, Rules, Several, Table

MOST_LAYOUTS = 256
_NO_DELIMITERS = frozenset("\"'+-.\r\n")


class SignalName(Text):
    """The name of a signal that a device may send, or ``extra_...``."""

    words = 'a signal\'s name, such as "pack_voltage", or extra_NAME'

    def read(self, key: Key, value: object) -> Any:
        if not isinstance(value, str):
            raise BadValue(f"is {described(value)} where a signal's name belongs", f"write {key.takes}")
        check_signal(value)
        return value


def check_signal(name: str) -> None:
    """Raise BadValue for a name that is no signal, or one that is computed here and not read."""
    signal = find_signal(name)
    shown = printable(name)
    if signal is None:
        near = nearest_signals(name)
        right = f"did you mean {', '.join(near)}?" if near else f"use a signal such as {', '.join(known_names()[:3])}"
        raise BadValue(f"there is no signal {shown}", f"{right} or carry it as {extra_name(name)}")
    if signal.is_derived:
        raise BadValue(f"{shown} is computed here and not read", f"carry it as {extra_name(name)}")


class Delimiter(Kind):
    """One character that parts values."""

    words = 'one character, such as "," ";" "\\t"; " " for any white space'
    json: ClassVar[Mapping[str, Any]] = {"type": "string", "minLength": 1, "maxLength": 1}

    def read(self, key: Key, value: object) -> Any:
        if not isinstance(value, str) or len(value) != 1 or value.isalnum() or value in _NO_DELIMITERS:
            raise BadValue("cannot part values", f"write {key.takes}")
        return value


class ColumnNames(Words):
    """Names of columns, each once."""

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:
        twice = next((word for word in words if words.count(word) > 1), None)
        if twice is not None:
            raise BadValue(f"names {printable(twice)} twice", "give each its own name")
        return words


class Points(Kind):
    """Two readings beside a good meter: two pairs (raw, true)."""

    words = "two pairs of numbers, [[raw1, true1], [raw2, true2]]"
    json: ClassVar[Mapping[str, Any]] = {"type": "array", "items": {"type": "array", "items": {"type": "number"}}}

    def read(self, key: Key, value: object) -> Any:
        """Return the pairs; BadValue where no line goes through them."""
        shaped = isinstance(value, list) and [len(p) if isinstance(p, list) else 0 for p in value] == [2, 2]
        if not isinstance(value, list) or not shaped or not all(is_number(each) for pair in value for each in pair):
            raise BadValue("is not two pairs of numbers", f"write {key.takes}")
        for place, name in enumerate(("raw", "true")):
            if value[0][place] == value[1][place]:
                raise BadValue(f"has the same {name} value twice", "take the second reading at another level")
        return tuple(map(tuple, value))


def _one_scale(column: Scaled) -> Iterator[Problem]:
    if column.scale == 0:
        yield Problem("scale", "is 0, so every value would be the same", "leave it out for 1")


def _one_way(column: Column) -> Iterator[Problem]:
    if column.points is not None and column.stated.keys() & {"scale", "offset"}:
        yield Problem("points", "cannot be used with scale or offset", "keep one of them")


@dataclass(frozen=True, kw_only=True)
class Scaled(Table):
    """How a number of the device's becomes a signal: ``raw * scale + offset``, in the signal's unit."""

    rules: ClassVar[Rules] = (_one_scale,)
    signal: str = setting(
        SignalName(), "what it becomes", "[the list of signals](signals.md)", "pack_voltage", required=True
    )
    scale: float = setting(ANY_NUMBER, "what one raw unit is", "the device's manual", 0.01, default=1.0)
    offset: float = setting(ANY_NUMBER, "what is added after that", "the device's manual", -40.0, default=0.0)
    unknown: tuple[float, ...] = setting(
        Several(ANY_NUMBER), 'raw values that mean "no reading"', "the device's manual", [999], default=()
    )


@dataclass(frozen=True, kw_only=True)
class Column(Scaled):
    """What one of the device's columns becomes."""

    rules: ClassVar[Rules] = (_one_way,)
    points: tuple[tuple[float, float], ...] | None = setting(
        Points(),
        "two readings beside a good meter, in place of scale and offset",
        "a meter",
        [[612, 48.2], [731, 57.55]],
    )

    @property
    def line(self) -> tuple[float, float]:
        """Scale and offset."""
        return (self.scale, self.offset) if self.points is None else line_through(self.points)


@dataclass(frozen=True, eq=False)
class Columns(Named):
    """A table of the device's columns: for each a signal's name, or a table; the attribute is a dictionary."""

    each: Kind = field(default_factory=lambda: Inner(Column, "signal"))

    def read(self, key: Key, value: object) -> Any:
        """Return the columns by name; BadValue where one signal is named twice, too."""
        entries = value.items() if isinstance(value, Mapping) else ()
        named = [(name, each.get("signal") if isinstance(each, Mapping) else each) for name, each in entries]
        return read_once(lambda: Named.read(self, key, value), named)


def read_once(read: Callable[[], Any], named: Iterable[tuple[str, object]]) -> Any:
    """Return what ``read`` makes of a value that names signals by place; BadValue also where one is named twice."""
    first_use: dict[str, str] = {}
    problems = []
    for place, signal in named:
        if isinstance(signal, str) and signal in first_use:
            taken = f"{printable(signal)} is taken by {first_use[signal]}"
            problems.append(Problem(printable(place), taken, "name another signal for one"))
        elif isinstance(signal, str):
            first_use[signal] = printable(place)
    try:
        found = read()
    except BadValue as bad:
        raise BadValue.of([*bad.problems, *problems]) from None
    if problems:
        raise BadValue.of(problems)
    return found


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
    scale: Values
    offset: Values
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
    """Knows every column of one source by what ``[source.columns]`` states."""

    def __init__(self, columns: Mapping[str, Column]) -> None:
        self._stated = {name.strip(): column for name, column in columns.items()}
        self._layouts: dict[tuple[str, ...], Layout] = {}

    def is_known(self, name: str) -> bool:
        """Tell whether the column is named in the table or bears the name of a signal that a device may send."""
        return name in self._stated or passes_as(name) is not None

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
                signal = passes_as(name)
                if signal is None or signal in taken:
                    signal = free_name(extra_name(name), taken)
                columns[place] = Column(signal=signal)
                taken.add(signal)
        ordered = [columns[place] for place in range(len(names))]
        return Layout(
            tuple(column.signal for column in ordered),
            np.array([column.line[0] for column in ordered], dtype=np.float64),
            np.array([column.line[1] for column in ordered], dtype=np.float64),
            tuple((place, column.unknown) for place, column in enumerate(ordered) if column.unknown),
        )


def is_number(value: Any) -> bool:
    """Tell whether a TOML value is a finite number; true and false are not."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
