"""The lanes of the traces: which signals, in which unit, on which scale, against which limit, and how they look."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache

import numpy as np

from telemetry.analysis.columns import Columns
from telemetry.machine.limits import Limit
from telemetry.model.signals import find_signal
from telemetry.model.words import fixed
from telemetry.pipeline.past import Past
from telemetry.screen.chart import chart_rows, scale_for
from telemetry.screen.gauge import Runs
from telemetry.screen.reach import bound_of
from telemetry.screen.signal_words import signal_words
from telemetry.screen.theme import Palette
from telemetry.screen.trace import TraceScale, bars, cell_of, height_of
from telemetry.screen.units import Units

MOST_LANES = 4
COLOURS = ("trace", "trace 2", "trace 3", "trace 4")
FIRST_CHOICE = (
    *("pack_voltage", "pack_current", "cell_min_voltage", "vehicle_speed", "pack_power", "motor_temperature"),
    *("controller_temperature", "pack_temperature_1", "soc_reported", "controller_voltage", "motor_current"),
    *("motor_speed", "throttle_voltage"),
)
"""What is shown unless signals are chosen, as far as it is known."""
_TITLES = {
    "pack_voltage": "VOLTAGE",
    "pack_current": "CURRENT",
    "pack_power": "POWER",
    "cell_min_voltage": "LOWEST CELL",
    "cell_max_voltage": "HIGHEST CELL",
    "cell_spread": "CELL SPREAD",
    "soc_reported": "REPORTED SoC",
    "soc_estimated": "ESTIMATED SoC",
    "motor_temperature": "MOTOR",
    "controller_temperature": "CONTROLLER",
    "controller_voltage": "CONTROLLER",
    "throttle_voltage": "THROTTLE",
}
_LIMITS = {
    "pack_current": ("discharge-current", "discharge-peak", "charge-current", "charge-peak"),
    "cell_max_voltage": ("cell-voltage-high",),
    "cell_min_voltage": ("cell-voltage-low",),
}
"""The limits of a signal that are judged on another one made from it."""
_LEAST = {"V": 0.1, "A": 2.0, "kW": 0.2, "mV": 10.0, "%": 5.0, "°C": 5.0, "°F": 5.0, "km/h": 2.0, "mph": 1.0}
_WITH_ZERO = ("A", "kW", "W", "km/h", "mph", "rpm", "mV")


@dataclass(frozen=True)
class Line:
    """A limit as a line: its value in the lane's unit, and what it is called."""

    value: float
    word: str


@dataclass(frozen=True)
class LaneKind:
    """How one signal is shown.

    Attributes:
        signal: its name; ``title`` in a few words, ``unit`` as shown.
        factor, zero: make the value shown from the signal's: factor times it, plus zero.
        decimals: of its value.

    """

    signal: str
    title: str
    unit: str
    factor: float = 1.0
    zero: float = 0.0
    decimals: int = 1

    @property
    def least(self) -> float:
        """The least height of its scale, in the unit shown."""
        return 0.05 if self.signal.startswith("cell_") and self.unit == "V" else _LEAST.get(self.unit, 0.1)

    @property
    def with_zero(self) -> bool:
        """Whether zero belongs on its scale."""
        return self.unit in _WITH_ZERO

    def shown(self, value: float) -> float:
        """Return a value in the unit that is shown."""
        return self.factor * value + self.zero

    def text(self, low: float, high: float) -> str:
        """Return a value, or from lowest to highest where these differ as written."""
        first, last = (fixed(self.shown(value), self.decimals) for value in (low, high))
        return first if first == last else f"{first} to {last}"


@lru_cache(maxsize=64)
def lane_kind(signal: str, units: Units) -> LaneKind:
    """Return how ``signal`` is shown."""
    known = find_signal(signal)
    unit = "" if known is None else known.unit
    title = _TITLES.get(signal) or signal_words(signal).upper()
    if unit == "W":
        return LaneKind(signal, title, "kW", 0.001, decimals=2)
    if signal.startswith("cell_spread"):
        return LaneKind(signal, title, "mV", 1000.0, decimals=0)
    if unit == "ohm" and signal != "insulation_resistance":
        return LaneKind(signal, title, "mΩ", 1000.0)
    if unit == "degC":
        return LaneKind(signal, title, units.temperature, units.temperature_factor, units.temperature_zero, 0)
    if unit == "km/h":
        return LaneKind(signal, title, units.speed, units.speed_factor)
    if unit == "V":
        return LaneKind(signal, title, unit, decimals=3 if signal.startswith("cell_") else 1)
    decimals = {"A": 1, "%": 0, "rpm": 0, "deg": 5, "min": 0, "Ah": 2, "Wh": 0}.get(unit, 2)
    return LaneKind(signal, title, unit, decimals=decimals)


def default_lanes(signals: Iterable[str]) -> tuple[str, ...]:
    """Return the signals shown unless others are chosen: those of the first choice, then what else is known."""
    known = list(signals)
    wanted = [name for name in FIRST_CHOICE if name in known]
    others = [
        name for name in known if name not in wanted and (s := find_signal(name)) is not None and not s.is_switch
    ]
    return tuple([*wanted, *others][:MOST_LANES])


def lines_of(kind: LaneKind, limits: Mapping[str, Limit]) -> list[Line]:
    """Return the limits of a signal, in its lane's unit."""
    names = _LIMITS.get(kind.signal, ())
    found = []
    for limit in limits.values():
        bound = bound_of(limit)
        if bound is None or not (limit.name in names or fnmatchcase(kind.signal, limit.signal)):
            continue
        is_voltage = kind.unit == "V"
        word = "limit" if not is_voltage else "cut-off" if limit.side == "low" else "high"
        found.append(Line(kind.shown(bound), word))
    return found


@dataclass(frozen=True)
class LaneScale:
    """The scale of a lane, its nearest limit, and all lines that are within the scale."""

    bottom: float
    top: float
    limit: Line | None = None
    lines: tuple[float, ...] = ()

    def edges(self) -> tuple[str, str]:
        """Return lower and upper end as text."""
        size = (self.top - self.bottom) / 10
        decimals = 0 if size >= 0.5 else 1 if size >= 0.05 else 2
        return fixed(self.bottom, decimals), fixed(self.top, decimals)


def lane_scale(past: Past, kind: LaneKind, limits: Mapping[str, Limit]) -> LaneScale:
    """Return the scale of the whole session: round numbers around all values and the limit that they come nearest to.

    Of a voltage that is the lower one, of a session that mostly charges the upper one. Another limit is drawn only
    where it lies within, for a limit far off would flatten the trace.
    """
    seen = past.extremes(kind.signal)
    if seen is None:
        return LaneScale(0.0, 1.0)
    flow = past.extremes("pack_current")
    side = "high" if flow is not None and -flow[0] > flow[1] else "low"
    return _scale(kind, seen, tuple(lines_of(kind, limits)), side)


@lru_cache(maxsize=64)
def _scale(kind: LaneKind, seen: tuple[float, float], lines: tuple[Line, ...], side: str) -> LaneScale:
    low, high = sorted(map(kind.shown, seen))
    wanted = "high" if side == "high" else "cut-off"
    meant = [line for line in lines if line.word == wanted] or lines
    nearest = min(meant, key=lambda line: max(line.value - high, low - line.value, 0.0), default=None)
    ends = [low, high, *([] if nearest is None else [nearest.value])]
    known = find_signal(kind.signal)
    if known is not None and known.is_switch and known.high == 1.0:
        return LaneScale(0.0, 1.0)
    bottom, top = scale_for(np.array(ends), np.array(ends), kind.least, kind.with_zero, parts=8)
    return LaneScale(bottom, top, nearest, tuple(line.value for line in lines if bottom <= line.value <= top))


@dataclass(frozen=True)
class LaneLook:
    """What a lane is drawn on.

    Attributes:
        colour: of the trace, a name of the palette's colours.
        alarmed: columns in which an alarm held, as (first, end).
        cursor: column of the cursor; None where it is not in the window.

    """

    colour: str = "trace"
    alarmed: tuple[tuple[int, int], ...] = ()
    cursor: int | None = None


def lane_rows(
    palette: Palette, kind: LaneKind, columns: Columns, rows: int, scale: LaneScale, look: LaneLook
) -> list[Runs]:
    """Return ``rows`` rows of runs, the first at the top: trace before limits, cursor, gaps and times of alarms."""
    low, high = kind.factor * columns.low + kind.zero, kind.factor * columns.high + kind.zero
    if kind.factor < 0:
        low, high = high, low
    trace = TraceScale(scale.bottom, scale.top)
    plain = palette.plain_blocks
    lines = {
        min(height_of(value, rows, trace, plain) // 8, rows - 1): value for value in scale.lines
    }  # by row from below
    grounds = _grounds(columns, look)
    gaps = columns.gap.tolist()
    if palette.colours:
        tall = bars(low, high, rows, trace, plain, columns.joined)
        cells = [
            [cell_of(known, first - 8 * row, last - 8 * row, None) for known, first, last in tall]
            for row in range(rows)
        ]
    else:
        drawn = chart_rows(low, high, rows, scale.bottom, scale.top)
        cells = [[(text, ("trace", "page")) for text in drawn[rows - 1 - row]] for row in range(rows)]
    return [
        _row(palette, cells[row], grounds, gaps, "─" if row in lines else " ", look)
        for row in range(rows - 1, -1, -1)
    ]


def _grounds(columns: Columns, look: LaneLook) -> list[str]:
    grounds = ["page"] * len(columns)
    for first, end in look.alarmed:
        for column in range(max(0, first), min(end, len(grounds))):
            grounds[column] = "alarm"
    return grounds


def _row(
    palette: Palette,
    cells: Sequence[tuple[str, tuple[str, str]]],
    grounds: Sequence[str],
    gaps: Sequence[bool],
    line: str,
    look: LaneLook,
) -> Runs:
    runs: list[tuple[str, tuple[str, str]]] = []
    for column, (text, (front, back)) in enumerate(cells):
        ground = grounds[column]
        if text == " ":
            if column == look.cursor:
                text, front = "│", "ink"
            elif gaps[column]:
                text, front, ground = "░", "idle", "page"
            elif line != " " and (look.cursor is None or abs(column - look.cursor) != 1):
                text, front = line, "beyond"
            else:
                front = "ink"
            back = ground
        else:
            front = look.colour if front == "trace" else ground
            back = look.colour if back == "trace" else ground
        if runs and runs[-1][1] == (front, back):
            runs[-1] = (runs[-1][0] + text, (front, back))
        else:
            runs.append((text, (front, back)))
    return tuple((text, palette.pair(*colours)) for text, colours in runs)
