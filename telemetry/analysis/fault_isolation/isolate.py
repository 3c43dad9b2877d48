"""Name the part that makes a machine hesitate, from a recorded drive."""

from __future__ import annotations

from collections.abc import Sequence

from telemetry.analysis.fault_isolation.drive import usable_evidence
from telemetry.analysis.fault_isolation.findings import Isolation
from telemetry.analysis.fault_isolation.observations import observe
from telemetry.analysis.fault_isolation.pieces import pieces
from telemetry.analysis.fault_isolation.readings import Readings
from telemetry.analysis.fault_isolation.verdict import verdict
from telemetry.analysis.series import SessionSeries
from telemetry.machine.sections import Machine


def isolate(
    series: SessionSeries,
    machine: Machine | None = None,
    readings: Readings | None = None,
    earlier: Sequence[float] = (),
) -> Isolation:
    """Judge a drive: which part, with which probability, why, and what to measure next.

    Args:
        series: the recording.
        machine: what the owner states of the machine, or None.
        readings: what was measured by hand, or None.
        earlier: force against the motion over weight on earlier drives of this machine.
    """
    return verdict([observe(piece) for piece in pieces(series)], usable_evidence(series), machine, readings, earlier)
