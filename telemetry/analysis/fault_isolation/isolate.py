"""Name the part that makes a machine hesitate, from a recorded drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from telemetry.analysis.cell_findings import CellFindings
from telemetry.analysis.fault_isolation.checks import cell_checks
from telemetry.analysis.fault_isolation.coverage import coverage
from telemetry.analysis.fault_isolation.drive import usable_evidence
from telemetry.analysis.fault_isolation.findings import Isolation
from telemetry.analysis.fault_isolation.observations import observe
from telemetry.analysis.fault_isolation.pieces import pieces
from telemetry.analysis.fault_isolation.readings import Readings
from telemetry.analysis.fault_isolation.verdict import verdict
from telemetry.analysis.series import SessionSeries, with_extreme_cells
from telemetry.machine.sections import Machine


def isolate(
    series: SessionSeries,
    machine: Machine | None = None,
    readings: Readings | None = None,
    earlier: Sequence[float] = (),
    cells: CellFindings | None = None,
) -> Isolation:
    """Judge a drive: which part, with which probability, why, and what to measure next.

    Args:
        series: the recording.
        machine: what the owner states of the machine, or None.
        readings: what was measured by hand, or None.
        earlier: force against the motion over weight on earlier drives of this machine.
        cells: the cell findings of the session, or None.
    """
    series = with_extreme_cells(series)
    parts = [observe(piece) for piece in pieces(series)]
    found = verdict(parts, usable_evidence(series), machine, readings, earlier)
    covered, not_covered = coverage(parts)
    checks = () if cells is None else tuple(cell_checks(cells.odd))
    following = () if checks and not found.fault_named else found.next_check
    return replace(found, covered=covered, not_covered=not_covered, cells=cells, next_check=(*checks, *following))
