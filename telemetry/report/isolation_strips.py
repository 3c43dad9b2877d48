"""An event in four rows of blocks on one time axis: pedal, voltage, current, speed."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.findings import FaultEvent
from telemetry.analysis.series import SessionSeries
from telemetry.model.batch import MICROSECONDS
from telemetry.model.time_text import clock

_ROWS = (
    ("pedal", "throttle_voltage", "V"),
    ("voltage", "controller_voltage", "V"),
    ("voltage", "pack_voltage", "V"),
    ("current", "pack_current", "A"),
    ("speed", "vehicle_speed", "km/h"),
)
_BLOCKS = "▁▂▃▄▅▆▇█"
_COLUMNS = 44
_AROUND_S = 1.5
_LONGEST_S = 12.0


def moment_of(event: FaultEvent) -> tuple[float, float]:
    """Return from when to when an event is shown, s from the session's origin: itself and a little around it."""
    return event.t - _AROUND_S, event.t + min(event.duration, _LONGEST_S) + _AROUND_S


def event_strips(series: SessionSeries, event: FaultEvent) -> list[str]:
    """Return one line a signal around ``event``, each from its lowest to its highest value there, and a time line.

    The signs ``^`` below mark the event itself.
    """
    begin, end = moment_of(event)
    at = np.linspace(begin, end, _COLUMNS)
    lines: list[str] = []
    shown: set[str] = set()
    for label, name, unit in _ROWS:
        found = series.get(name)
        if found is None or label in shown:
            continue
        shown.add(label)
        seconds = (found.t - series.origin) / MICROSECONDS
        values = np.interp(at, seconds, found.values)
        low, high = float(values.min()), float(values.max())
        share = (values - low) / max(high - low, 1e-9)
        bars = "".join(_BLOCKS[min(int(each * len(_BLOCKS)), len(_BLOCKS) - 1)] for each in share)
        lines.append(f"  {label:8}{bars}  {low:.1f} to {high:.1f} {unit}")
    inside = (at >= event.t) & (at <= event.t + max(event.duration, 0.05))
    marks = "".join("^" if each else " " for each in inside).rstrip()
    times = [clock(each, tenths=True) for each in (event.t, begin, end)]
    return [f"  {times[0]}, {event.what}; {times[1]} to {times[2]}:", *lines, f"  {'':8}{marks}"]
