"""The voltage at which a charge comes out: open-circuit voltage over a stretch of charge, less the sag of the drive.

A drive's own mean voltage belongs to the stretch of charge in which it was driven: near full it promises too much for
the whole charge, near empty too little. So open-circuit voltage is averaged over the stretch that is asked for, and
the sag at the drive's current is taken off.
"""

from __future__ import annotations

from telemetry.analysis.open_circuit import mean_voltage_uncertainty, open_circuit_tables, stated_table
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.resistance import Resistance
from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.pack_keys import Pack

SLOW_OVER_FAST = Range(1.0, 1.4, 2.0)
"""Resistance to a load of minutes over that of the first second. Common practice, from memory."""


def fast_ohm(pack: Pack, measured_ohm: Range | None = None) -> Range:
    """Return the pack's resistance over seconds, ohm: measured, else stated, else by chemistry and capacity."""
    if measured_ohm is not None:
        return measured_ohm.at_least(0.0)
    if pack.internal_resistance_mohm is not None:
        stated = pack.internal_resistance_mohm / 1000.0
        return Range(0.75 * stated, stated, 1.25 * stated)
    practice = CELL_PRACTICE[pack.chemistry]
    low, high = (
        pack.cells_in_series * each / pack.capacity_ah / 1000.0
        for each in (practice.low_resistance, practice.high_resistance)
    )
    return Range(low, (low * high) ** 0.5, high)


def measured_ohm(found: Resistance | None) -> Range | None:
    """Return the resistance over 1 s that a session's load steps tell, ohm, 90 % interval; None where they do not."""
    if found is None or found.pack_mohm is None:
        return None
    return Range.around(found.pack_mohm, Z90 * (found.pack_uncertainty_mohm or 0.0)).times(0.001)


def voltage_over_charge(pack: Pack, amperes: float, ohm: Range, low: float, high: float) -> Range:
    """Return the mean voltage under load while the charge goes from ``high`` to ``low``, V, with 90 % bounds.

    Args:
        pack: its chemistry, or its owner's curve of open-circuit voltage, and its cells in series.
        amperes: at which the average ampere-hour leaves the pack.
        ohm: resistance of the pack over a drive, ohm.
        low, high: shares of charge, 0 to 1; where they are the wrong way round, the voltage at ``low``.

    """
    own = stated_table(pack.open_circuit)
    table = own or open_circuit_tables(pack.chemistry)[0]
    high = max(high, low + 1e-6)
    cells = pack.cells_in_series
    rested = cells * table.mean_volts(low, high)
    off = cells * Z90 * mean_voltage_uncertainty(pack.chemistry, low, high, own)
    return Range(
        rested - off - amperes * ohm.high, rested - amperes * ohm.mid, rested + off - amperes * ohm.low
    ).at_least(0.0)
