"""What the recogniser looks at: the signals together, five times a second, made forward only."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final, NamedTuple

from telemetry.analysis.blocks import BlockFigures
from telemetry.model.batch import MICROSECONDS, Span

ROW: Final = MICROSECONDS // 5
HELD: Final = round(2.2 * MICROSECONDS)
"""A reading counts for so long after it came: one reading a second may come late, and one may be missing. Ours."""
GAP: Final = 10 * MICROSECONDS
"""After so long without anything a new stretch begins. Ours."""

SIGNALS: Final = {
    "current": "pack_current",
    "voltage": "pack_voltage",
    "controller": "controller_voltage",
    "speed": "vehicle_speed",
    "throttle": "throttle_voltage",
    "motor_speed": "motor_speed",
    "engaged": "implement_engaged",
    "wall": "charger_input_power",
    "enable": "enable_voltage",
    "charge_allowed": "charge_allowed",
    "latitude": "latitude",
    "longitude": "longitude",
}

SWITCHES: Final = frozenset({"engaged", "charge_allowed"})
"""Of these the last reading counts, not the mean."""


class Row(NamedTuple):
    """Means over a fifth of a second; what came no reading of in it holds for two seconds, then it is NaN.

    Attributes:
        t: end of that time, int microseconds.
        current: A, positive out of the pack.
        voltage, controller, throttle, enable: V.
        speed: km/h, without its sign; motor_speed: rpm.
        engaged: above 0.5 while the implement is on.
        wall: W.
        charge_allowed: below 0.5 while the BMS disables the charge.
        latitude, longitude: degrees.
        age_s: time from the reading of the current before to the one in this row, or to the row without one, s; 0
            where a new stretch begins.
        speed_is_new: whether the speed was read in this fifth of a second.
    """

    t: int
    current: float
    voltage: float
    controller: float
    speed: float
    throttle: float
    motor_speed: float
    engaged: float
    wall: float
    enable: float
    charge_allowed: float
    latitude: float
    longitude: float
    age_s: float
    speed_is_new: bool


class Rows:
    """Makes the rows of spans; a span's rows do not depend on where spans are cut."""

    def __init__(self) -> None:
        self._signals = {name: BlockFigures(signal, ROW, last=name in SWITCHES) for name, signal in SIGNALS.items()}
        self._held: dict[str, tuple[int, float]] = {}

    def advance(self, span: Span) -> Iterator[Row]:
        """Give the rows that are complete at the end of ``span``, one for each fifth of a second with a reading."""
        found = {name: blocks.take(span, span.end) for name, blocks in self._signals.items()}
        for end in sorted(set().union(*found.values())):
            before, _ = self._held.get("current", (end, 0.0))
            for name, figures in found.items():
                if end in figures:
                    self._held[name] = end, figures[end]
            age = 0 if end - before > GAP else end - before
            yield self._row(end, age / MICROSECONDS, end in found["speed"])

    def _row(self, end: int, age_s: float, speed_is_new: bool) -> Row:
        values = {}
        for name in SIGNALS:
            at, value = self._held.get(name, (0, math.nan))
            values[name] = value if end - at <= HELD else math.nan
        values["speed"] = abs(values["speed"])
        return Row(end, **values, age_s=age_s, speed_is_new=speed_is_new)
