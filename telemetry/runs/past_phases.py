"""The phases of a session that is over, by the same rules as in its report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from telemetry.analysis.phases import find_phases
from telemetry.analysis.series import Series, SessionSeries
from telemetry.model.events import Event, Mark
from telemetry.pipeline.past import Stretch

PHASE_SIGNALS = ("pack_current", "pack_voltage", "vehicle_speed", "implement_engaged", "charger_input_power")
"""The signals that phases are told by."""


def phases_of(signals: Mapping[str, Series], events: Sequence[Event]) -> Sequence[Stretch]:
    """Return what the machine did, by what is known of :data:`PHASE_SIGNALS` and the marks among ``events``."""
    known = {name: series for name, series in signals.items() if len(series.t)}
    if "pack_current" not in known:
        return ()
    start = min(int(series.t[0]) for series in known.values())
    end = max(int(series.t[-1]) for series in known.values())
    marks = tuple(event for event in events if isinstance(event, Mark))
    series = SessionSeries("", start, end, start, "absolute", known, None, marks)
    return tuple(Stretch(phase.start, phase.end, phase.kind) for phase in find_phases(series).phases)
