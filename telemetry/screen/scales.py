"""What the screen has to know of the machine to draw its gauges: cells, their voltage full and empty, standby."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.machine.sections import Machine

_BELOW_CHARGED_V = 0.05
"""A full cell at rest is at least so much below the end of its charge; common practice, from memory."""


@dataclass(frozen=True)
class PackScale:
    """The left ends of gauges; None where no machine file says them.

    Attributes:
        cells: in series.
        full_v: of a full cell at rest, V; there the gauges of a discharge begin.
        empty_v: of a cell that is nearly empty, V; there the gauges of a charge begin.
        standby_a: what the machine draws with its key on, A.

    """

    cells: int | None = None
    full_v: float | None = None
    empty_v: float | None = None
    standby_a: float = 0.0


def pack_scale(machine: Machine | None) -> PackScale:
    """Return the scale of a machine's pack; an empty one without a machine."""
    if machine is None:
        return PackScale()
    from telemetry.analysis.open_circuit import open_circuit_tables

    cell = machine.pack.cell
    full = float(max(open_circuit_tables(cell.name), key=lambda table: table.weight).volts_at(1.0))
    full = round(min(full, cell.charge_least_v - _BELOW_CHARGED_V), 2)
    standby = machine.vehicle.standby_current_a or 0.0
    return PackScale(machine.pack.cells_in_series, full, cell.knee_v, standby)
