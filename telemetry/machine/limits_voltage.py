"""Limits of voltages and temperatures: from the maker's figures, the controller's window, else the chemistry."""

from __future__ import annotations

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.limits_frame import Frame, Ground, Limit
from telemetry.machine.pack_keys import Pack

LOW_WARN_SHARE = 0.05
"""A stated low cut-off is warned of this share above it: on a 16-cell iron phosphate pack cut off at 44.8 V that is
2.2 V, about what the pack recovers when the throttle is released. Common practice, from memory."""
HIGH_WARN_SHARE = 0.01
"""A stated high cut-off is warned of this share below it: chargers hold their voltage within one percent."""
CELL_HIGH_WARN_V = 0.03
"""A stated high cut-off of one cell is warned of this much below it: BMSs read a cell to 5 to 10 mV (common practice,
from memory)."""
TEMPERATURE_MARGIN_C = 5.0


def _pack_voltage_low(on: Ground) -> Limit:
    pack, vehicle = on.machine.pack, on.machine.vehicle
    cells, cell = pack.cells_in_series, pack.cell
    trip, what = cells * cell.minimum_v, f"{cells} {cell.label} cells at {cell.minimum_v:.2f} V {_known(pack)}"
    if pack.low_cutoff_v is not None:
        trip, what = pack.low_cutoff_v, f"BMS cut-off {pack.low_cutoff_v:.1f} V ([pack] low_cutoff_v)"
    if vehicle.minimum_voltage_v is not None and vehicle.minimum_voltage_v > trip:
        trip = vehicle.minimum_voltage_v
        what = f"controller cuts out below {trip:.1f} V ([machine] minimum_voltage_v), before the BMS trips"
    warn, where = pack_low_warning(pack, trip)
    foldback = vehicle.foldback_voltage_v
    if foldback is not None and foldback > max(trip, warn or 0.0):
        warn, where = foldback, "warn at [machine] foldback_voltage_v, where the controller begins to fold back"
    return on.limit(warn, trip, f"{what}; {where}", margin=0.01 * pack.nominal_v, raise_s=2.0)


def pack_low_warning(pack: Pack, trip: float) -> tuple[float | None, str]:
    """Return the warning above a low bound of the pack, V, with words: see :func:`low_warning`."""
    usual = pack.cell.low_warn_v
    return low_warning(trip, pack.nominal_v, pack.cells_in_series * usual, f"warn at {usual:.2f} V a cell")


def low_warning(trip: float, nominal: float, usual: float, usual_words: str) -> tuple[float | None, str]:
    """Return the warning above a low bound, with words: the higher of 5 % above it and the chemistry's.

    Where 5 % leaves little of the way to ``nominal``, three quarters of that way. All in V.

    Args:
        trip: the bound.
        nominal: nominal voltage; no warning where the bound is not below it.
        usual: the chemistry's warning under load, which a stated bound must not weaken.
        usual_words: what to say where that one is taken.

    """
    if nominal <= trip:
        return None, "no room for a warning below the nominal voltage"
    most = 0.75 * (nominal - trip)
    warn, words = (1 + LOW_WARN_SHARE) * trip, "warn 5 % above"
    if LOW_WARN_SHARE * trip > most + 1e-9:
        warn, words = trip + most, f"warn three quarters of the way to the nominal {nominal:.1f} V"
    return (warn, words) if warn >= usual else (usual, usual_words)


def _pack_voltage_high(on: Ground) -> Limit:
    pack, vehicle = on.machine.pack, on.machine.vehicle
    cells, cell = pack.cells_in_series, pack.cell
    trip, what = cells * cell.high_trip_v, f"{cells} {cell.label} cells at {cell.high_trip_v:.2f} V {_known(pack)}"
    warn, where = cells * cell.high_warn_v, f"warn at {cell.high_warn_v:.2f} V a cell"
    if pack.high_cutoff_v is not None:
        trip, what = pack.high_cutoff_v, f"BMS cut-off {pack.high_cutoff_v:.1f} V ([pack] high_cutoff_v)"
    if vehicle.maximum_voltage_v is not None and vehicle.maximum_voltage_v < trip:
        trip = vehicle.maximum_voltage_v
        what = f"controller tolerates at most {trip:.1f} V ([machine] maximum_voltage_v), less than the pack reaches"
    if trip in (pack.high_cutoff_v, vehicle.maximum_voltage_v):
        warn, where = pack_high_warning(pack, trip)
    return on.limit(warn, trip, f"{what}; {where}", margin=0.01 * pack.nominal_v, raise_s=1.0)


def pack_high_warning(pack: Pack, trip: float) -> tuple[float, str]:
    """Return the warning below a stated high bound, V, with words: 1 % below it, or the chemistry's if lower."""
    usual, near = pack.cells_in_series * pack.cell.high_warn_v, (1 - HIGH_WARN_SHARE) * trip
    if near < usual:
        return near, "warn 1 % below"
    return usual, f"warn at {pack.cell.high_warn_v:.2f} V a cell"


def _cell_voltage_low(on: Ground) -> Limit:
    pack, cell = on.machine.pack, on.machine.pack.cell
    trip, what = cell.minimum_v, f"{cell.label} cell {_known(pack)}: lowest voltage {cell.minimum_v:.2f} V"
    early = f"warn at {cell.low_warn_v:.2f} V under load"
    warn: float | None = cell.low_warn_v
    where = early
    if pack.cell_low_cutoff_v is not None:
        trip = pack.cell_low_cutoff_v
        what = f"BMS cuts off at {trip:.2f} V a cell ([pack] cell_low_cutoff_v)"
        warn, where = low_warning(trip, cell.nominal_v, cell.low_warn_v, early)
    return on.limit(warn, trip, f"{what}; {where}", margin=0.05, raise_s=2.0)


def _cell_voltage_high(on: Ground) -> Limit:
    pack, cell = on.machine.pack, on.machine.pack.cell
    ordinary = f"just above an ordinary charge to {cell.charge_v:.2f} V"
    trip, warn = cell.high_trip_v, cell.high_warn_v
    what = f"{cell.label} cell {_known(pack)}: no ordinary charge reaches {trip:.2f} V"
    where = f"warn at {warn:.2f} V, {ordinary}"
    if pack.cell_high_cutoff_v is not None:
        trip = pack.cell_high_cutoff_v
        what = f"BMS cuts off at {trip:.2f} V a cell ([pack] cell_high_cutoff_v)"
        before = trip - CELL_HIGH_WARN_V
        if before < warn:
            warn, where = before, f"warn at {before:.2f} V, just before that"
    return on.limit(warn, trip, f"{what}; {where}", margin=0.02, raise_s=1.0)


def _known(pack: Pack) -> str:
    """Return where the figures of a cell come from, as a few words."""
    if pack.cell == CHEMISTRIES[pack.chemistry]:
        return "(chemistry table, common practice)"
    return "(your figures in [pack], otherwise the chemistry table, common practice)"


def _pack_temperature_high(on: Ground) -> Limit:
    cell = on.machine.pack.cell
    trip = cell.discharge_high_c
    warn = min(cell.charge_high_c, trip - TEMPERATURE_MARGIN_C)
    why = "no charging above" if warn == cell.charge_high_c else "5 °C before that"
    origin = f"{cell.label} (chemistry table, common practice): no use above {trip:g} °C; warn at {warn:g} °C, {why}"
    return on.limit(warn, trip, origin, margin=2.0, raise_s=10.0, clear_s=60.0)


def _pack_temperature_low(on: Ground) -> Limit:
    cell = on.machine.pack.cell
    trip = cell.discharge_low_c
    warn = max(cell.charge_low_c, trip + TEMPERATURE_MARGIN_C)
    why = "no charging below, regen included" if warn == cell.charge_low_c else "5 °C before that"
    origin = f"{cell.label} (chemistry table, common practice): no use below {trip:g} °C; warn at {warn:g} °C, {why}"
    return on.limit(warn, trip, origin, margin=2.0, raise_s=10.0, clear_s=60.0)


FRAMES = (
    Frame("pack-voltage-low", "pack_voltage", "low", _pack_voltage_low),
    Frame("pack-voltage-high", "pack_voltage", "high", _pack_voltage_high),
    Frame("cell-voltage-low", "cell_min_voltage", "low", _cell_voltage_low),
    Frame("cell-voltage-high", "cell_max_voltage", "high", _cell_voltage_high),
    Frame("pack-temperature-high", "pack_temperature_*", "high", _pack_temperature_high, "either"),
    Frame("pack-temperature-low", "pack_temperature_*", "low", _pack_temperature_low, "either"),
)
