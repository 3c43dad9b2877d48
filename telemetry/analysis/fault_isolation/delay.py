"""By how many rows one signal follows another that causes it, and signals brought into step by that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Drive, Flags, Floats
from telemetry.analysis.fault_isolation.pack_switch import no_current
from telemetry.analysis.fault_isolation.pedal_map import shifted

LEAST_MATCH = 0.4
"""Correlation of the changes from which a delay is clear."""
_LEAST_ROWS = 100
_LEAST_GAIN, _NEARLY = 0.03, 0.85


_THROTTLE, _MOST_LATE_ROWS, _USUAL_ROWS, _IN_STEP_ROWS = "throttle_voltage", round(1.5 / STEP_S), 3, (-1, 8)
"""A controller follows within 0.1 to 0.2 s, its ramp included (common practice). More than 0.4 s, or a current that
comes first by more than a step of the search, is a clock out of step."""


def in_step(drive: Drive, current: Floats) -> Drive:
    """Return the drive, its throttle and voltages in step with the current (n,), A, and what was moved said."""
    signals, said, late = dict(drive.signals), list(drive.clocks), {}
    for name in (_THROTTLE, "controller_voltage", "pack_voltage"):
        if name not in signals:
            continue
        rows = (
            _throttle_behind(signals[name], current) if name == _THROTTLE else voltage_behind(signals[name], current)
        )
        if rows:
            signals[name], late[name] = shifted(signals[name], -rows), rows
        if abs(rows) > 1:
            said.append(
                f"{name} and current are out of step by {rows * STEP_S:+.2f} s; that has been taken out (`shakedown "
                "align` finds what to state)"
            )
    return replace(drive, signals=signals, clocks=tuple(said), late=late)


def _throttle_behind(volts: Floats, current: Floats) -> int:
    known = ~np.isnan(volts)
    follows, match = rows_behind(np.nan_to_num(volts), current, known, 6, _MOST_LATE_ROWS)
    usual = match < LEAST_MATCH or _IN_STEP_ROWS[0] <= follows <= _IN_STEP_ROWS[1]
    return 0 if usual else _USUAL_ROWS - follows


def rows_behind(cause: Floats, effect: Floats, rows: Flags, span: int, most: int) -> tuple[int, float]:
    """Return by how many rows the effect follows its cause, negative where it comes before, and how well they match.

    Changes of the two match best at that delay. Of several that match about as well, as where the cause pulses, the
    shortest is taken.

    Args:
        cause, effect: (n,), none NaN.
        rows: those that count (n,).
        span: rows over which a change is taken.
        most: the longest delay that is tried.

    Returns:
        The rows, 0 where none is clear, and the correlation at that delay (-1 to 1).
    """
    both = rows[span:] & rows[:-span]
    if both.sum() < _LEAST_ROWS or len(both) <= 4 * most:
        return 0, 0.0
    first, second = _changes(cause, both, span), _changes(effect, both, span)
    inner = first[most:-most]
    power = float(inner @ inner)
    moved = [second[most + late : len(second) - most + late] for late in range(-most, most + 1)]
    match = np.array([float(inner @ each) / max((power * float(each @ each)) ** 0.5, 1e-9) for each in moved])
    tops = [k for k in range(1, 2 * most) if match[k] >= max(match[k - 1], match[k + 1], _NEARLY * match.max())]
    best = min(tops, key=lambda k: abs(k - most), default=most)
    if match[best] <= match[most] + _LEAST_GAIN:
        best = most
    return best - most, float(match[best])


def voltage_behind(voltage: Floats, current: Floats) -> int:
    """Return by how many rows a voltage (n,), V, NaN where unknown, follows the current (n,), A, that bends it.

    While some current flows, its changes and those of the voltage are opposite, by the resistance, at the same
    instant. Where it goes to nothing something may have opened, so those instants count only where they match better.
    """
    known = ~np.isnan(voltage)
    sag = -np.nan_to_num(voltage)
    found = [rows_behind(current, sag, rows, 3, 8) for rows in (known & ~no_current(current), known)]
    rows, match = max(found, key=lambda each: each[1])
    return rows if match > LEAST_MATCH else 0


def _changes(values: Floats, rows: Flags, span: int) -> Floats:
    """Return the changes in ``rows``, the largest few held back, and none elsewhere."""
    changes = values[span:] - values[:-span]
    low, high = np.quantile(changes[rows], [0.02, 0.98])
    clipped: Floats = np.where(rows, np.clip(changes, low, high), 0.0)
    return clipped
