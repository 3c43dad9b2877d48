"""A drive on one time axis, cleaned: what every detector works on, and what is wrong with the evidence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from telemetry.analysis.series import Series, SessionSeries
from telemetry.model.batch import MICROSECONDS

_LEAST_READINGS = 10  # of a signal that is used at all; ours
_NOTHING = 1e-9  # a reading of zero, whatever the signal
_NO_CELL_V = 0.5  # below that a cell is not read: none that works is so low (common practice)


Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

STEP_S = 0.05
"""The common time axis: as fast as a foot needs; a slower signal is interpolated, a switch held."""
SLOWEST_PEDAL_S = 0.12
"""Slower than this a drop-out of 0.2 s can fall between two readings of the pedal."""
SLOWEST_S = 0.6
SHORTEST_S = 20.0
_LONGEST_GAP_S = 1.5
_WANTED = (
    "throttle_voltage",
    "pack_current",
    "controller_voltage",
    "pack_voltage",
    "discharge_allowed",
    "vehicle_speed",
    "enable_voltage",
    "motor_current",
    "cell_min_voltage",
    "cell_max_voltage",
)
_WIGGLE = {  # a signal that moves less than this over a whole drive is not connected
    "throttle_voltage": 0.3,
    "pack_current": 0.3,
    "controller_voltage": 0.02,
    "pack_voltage": 0.02,
    "vehicle_speed": 0.3,
    "motor_current": 0.3,
}


def runs(flags: Flags) -> list[tuple[int, int]]:
    """Return where each run of rows that are set begins, and where it ends (that row not included)."""
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0)).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def stretches(rows: Indices, apart: int, margin: int, count: int) -> list[tuple[int, int]]:
    """Return where each stretch of a drive of ``count`` rows begins and ends that holds ``rows`` near one another.

    Each has ``margin`` quiet rows at either end; between two of them are more than ``apart`` besides.
    """
    if not len(rows):
        return []
    breaks = np.flatnonzero(np.diff(rows) > apart + 2 * margin)
    starts, ends = rows[np.concatenate([[0], breaks + 1])], rows[np.concatenate([breaks, [len(rows) - 1]])]
    pairs = zip(starts.tolist(), ends.tolist(), strict=True)
    return [(max(first - margin, 0), min(last + margin + 1, count)) for first, last in pairs]


@dataclass(frozen=True, slots=True)
class RowSpan:
    """Rows from ``start`` to ``end`` (not included)."""

    start: int
    end: int

    @property
    def duration_s(self) -> float:
        """Its length, s."""
        return (self.end - self.start) * STEP_S


def around(spans: Iterable[RowSpan], rows: int, before: int, after: int) -> Flags:
    """Return which of ``rows`` lie in one of the spans, or so many rows before or after it."""
    found: Flags = np.zeros(rows, dtype=np.bool_)
    for span in spans:
        found[max(span.start - before, 0) : span.end + after] = True
    return found


@dataclass(frozen=True, eq=False)
class Drive:
    """Signals at the same instants.

    Attributes:
        t: float64 (n,), seconds from the start of the recording, ``STEP_S`` apart.
        signals: float64 (n,) each, NaN where unknown; only those that are usable.
        interval_s: usual seconds between the readings of each.
        clocks: which of the signals were out of step and have been brought into step, one sentence each.
        late: the rows by which voltages came late, which have been taken out, by name.
    """

    t: Floats
    signals: Mapping[str, Floats]
    interval_s: Mapping[str, float]
    clocks: tuple[str, ...] = ()
    late: Mapping[str, int] = field(default_factory=dict)

    def get(self, name: str) -> Floats | None:
        """Return a signal, or None where it is not usable."""
        return self.signals.get(name)

    @property
    def slowest_s(self) -> float:
        """Seconds between readings of the slowest of throttle, current and supply, 0 where none was recorded."""
        supply = "controller_voltage" if "controller_voltage" in self.signals else "pack_voltage"
        return max(self.interval_s.get(name, 0.0) for name in ("throttle_voltage", "pack_current", supply))

    @property
    def supply(self) -> Floats | None:
        """The voltage nearest to the controller: its own, else the pack's."""
        return self.signals.get("controller_voltage", self.signals.get("pack_voltage"))


def usable_evidence(series: SessionSeries) -> tuple[dict[str, Series], list[str]]:
    """Return the signals of a recording that are evidence, and why others are not, one sentence each."""
    used: dict[str, Series] = {}
    problems = [span.sentence(series.origin) for span in series.frozen]
    if series.duration_s < SHORTEST_S:
        short = f"{series.duration_s:.0f} s are too short to clear any part; record three minutes of driving"
        problems.insert(0, short)
    for name in _WANTED:
        found = series.get(name)
        if found is not None and (why := _no_evidence(name, found)):
            problems.append(why)
        elif found is not None:
            used[name] = found
    return used, problems


def read_drive(series: SessionSeries) -> Drive:
    """Put the signals of a recording that are evidence on one time axis."""
    used, _ = usable_evidence(series)
    rows = int(series.duration_s / STEP_S) + 1
    start = (series.start - series.origin) / MICROSECONDS
    t: Floats = start + np.arange(rows, dtype=np.float64) * STEP_S
    signals = {name: _on_axis(t, each, series.origin, name == "discharge_allowed") for name, each in used.items()}
    return Drive(t, signals, {name: each.interval_s for name, each in used.items()})


def _no_evidence(name: str, series: Series) -> str | None:
    """Return why a signal cannot be used, or None."""
    values = series.values
    if len(values) < _LEAST_READINGS:
        return f"{name} has {len(values)} readings only, and is left aside"
    if name not in _WIGGLE:
        if name.startswith("cell_") and not (values > _NO_CELL_V).any():
            return f"{name} is zero throughout: not read by the pack's electronics, and left aside"
        return None
    low, high = np.quantile(values, [0.002, 0.998])
    if high - low < _WIGGLE[name]:
        if max(abs(high), abs(low)) < _NOTHING:
            return f"{name} is zero throughout: not connected, or its scale is wrong; it is left aside"
        return (
            f"{name} stays at {np.median(values):.2f} throughout: stuck, unplugged or saturated; check its wire and "
            "its reading at the logger before any part is blamed"
        )
    if name == "throttle_voltage" and series.interval_s > SLOWEST_PEDAL_S:
        if series.interval_s > SLOWEST_S:
            return (
                f"throttle_voltage comes every {series.interval_s:.2g} s only: a drop-out of the pedal falls between "
                "two readings; record it at 10 Hz or faster"
            )
    elif series.interval_s > 4 * SLOWEST_S:
        return f"{name} comes every {series.interval_s:.2g} s only: too slow for what lasts half a second"
    return None


def _on_axis(t: Floats, series: Series, origin: int, held: bool) -> Floats:
    """Return a signal at the instants ``t``; NaN outside it and in the middle of its gaps."""
    at = (series.t - origin) / MICROSECONDS
    following = np.searchsorted(at, t + 1e-6, side="right")
    before = np.clip(following - 1, 0, len(at) - 1)
    after = np.clip(following, 0, len(at) - 1)
    values = series.values[before].copy() if held else np.interp(t, at, series.values)
    widest = max(_LONGEST_GAP_S, 3 * series.interval_s)
    unknown = (following == 0) & (t < at[0] - STEP_S) | (t > at[-1] + widest) | (at[after] - at[before] > widest)
    values[unknown] = np.nan
    return values


def smoothed(values: Floats, rows: float, derivative: bool = False) -> Floats:
    """Return ``values`` under a Gaussian of ``rows`` standard deviation, or the derivative of that by the row."""
    reach = int(4 * rows) + 1
    x = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (x / rows) ** 2)
    kernel /= kernel.sum()
    if derivative:
        kernel = -x / rows**2 * kernel
    padded = np.concatenate([np.full(reach, values[0]), values, np.full(reach, values[-1])])
    return np.convolve(padded, kernel, "valid")
