"""Limits of voltages and temperatures: from the maker's figures, the controller's window, else the chemistry."""

from __future__ import annotations

from telemetry.machine.limits_frame import Frame, Ground, Limit

LOW_WARN_SHARE = 0.05
"""A stated low cut-off is warned of this share above it: on a 16-cell iron phosphate pack cut off at 44.8 V that is
2.2 V, about what the pack gives back when the pedal is let go. Common practice, from memory."""
HIGH_WARN_SHARE = 0.01
"""A stated high cut-off is warned of this share below it: chargers hold their voltage within one percent."""
TEMPERATURE_MARGIN_C = 5.0


def _pack_voltage_low(on: Ground) -> Limit:
    pack, vehicle = on.machine.pack, on.machine.vehicle
    cells, cell = pack.cells_in_series, pack.cell
    if pack.low_cutoff_v is not None:
        trip = pack.low_cutoff_v
        warn, where = low_warning(trip, pack.nominal_v)
        origin = f"pack low cut-off {trip:.1f} V from [pack] low_cutoff_v; {where}"
    else:
        trip, warn = cells * cell.minimum_v, cells * cell.low_warn_v
        least, early = f"{cell.minimum_v:.2f} V", f"{cell.low_warn_v:.2f} V a cell"
        origin = f"{cells} {cell.name} cells at {least} by the chemistry table, common practice; warn at {early}"
    if vehicle.minimum_voltage_v is not None and vehicle.minimum_voltage_v > trip:
        trip = vehicle.minimum_voltage_v
        warn, where = low_warning(trip, pack.nominal_v)
        origin = f"controller stops below {trip:.1f} V, before the pack, by [machine] minimum_voltage_v; {where}"
    foldback = vehicle.foldback_voltage_v
    if foldback is not None and foldback > trip and (warn is None or foldback > warn):
        warn = foldback
        origin = f"{origin.rsplit(';', 1)[0]}; warn at [machine] foldback_voltage_v, where power begins to fall"
    return on.limit(warn, trip, origin, margin=0.01 * pack.nominal_v, raise_s=2.0)


def low_warning(trip: float, nominal: float) -> tuple[float | None, str]:
    """Return the warning above a low bound, with words: 5 %, within three quarters of the way to ``nominal``."""
    if nominal <= trip:
        return None, "no room for a warning below the nominal voltage"
    most = 0.75 * (nominal - trip)
    if LOW_WARN_SHARE * trip <= most + 1e-9:
        return (1 + LOW_WARN_SHARE) * trip, "warn 5 % above"
    return trip + most, f"warn three quarters of the way to the nominal {nominal:.1f} V"


def _pack_voltage_high(on: Ground) -> Limit:
    pack, vehicle = on.machine.pack, on.machine.vehicle
    cells, cell = pack.cells_in_series, pack.cell
    if pack.high_cutoff_v is not None:
        trip, warn = pack.high_cutoff_v, (1 - HIGH_WARN_SHARE) * pack.high_cutoff_v
        origin = f"pack high cut-off {trip:.1f} V from [pack] high_cutoff_v; warn 1 % below"
    else:
        trip, warn = cells * cell.maximum_v, cells * cell.high_warn_v
        most, early = f"{cell.maximum_v:.2f} V", f"{cell.high_warn_v:.2f} V a cell"
        origin = f"{cells} {cell.name} cells at {most} by the chemistry table, common practice; warn at {early}"
    if vehicle.maximum_voltage_v is not None and vehicle.maximum_voltage_v < trip:
        trip = vehicle.maximum_voltage_v
        warn = (1 - HIGH_WARN_SHARE) * trip
        origin = f"controller stands {trip:.1f} V by [machine] maximum_voltage_v, less than the pack; warn 1 % below"
    return on.limit(warn, trip, origin, margin=0.01 * pack.nominal_v, raise_s=1.0)


def _cell_voltage_low(on: Ground) -> Limit:
    cell = on.machine.pack.cell
    least, early = f"{cell.minimum_v:.2f} V", f"{cell.low_warn_v:.2f} V"
    origin = f"{cell.name} cell by the chemistry table, common practice: least {least}; warn at {early} under load"
    return on.limit(cell.low_warn_v, cell.minimum_v, origin, margin=0.05, raise_s=2.0)


def _cell_voltage_high(on: Ground) -> Limit:
    cell = on.machine.pack.cell
    origin = (
        f"{cell.name} cell by the chemistry table, common practice: most {cell.maximum_v:.2f} V; "
        f"warn at {cell.high_warn_v:.2f} V, above an ordinary charge to {cell.charge_v:.2f} V"
    )
    return on.limit(cell.high_warn_v, cell.maximum_v, origin, margin=0.02, raise_s=1.0)


def _pack_temperature_high(on: Ground) -> Limit:
    cell = on.machine.pack.cell
    trip = cell.discharge_high_c
    warn = min(cell.charge_high_c, trip - TEMPERATURE_MARGIN_C)
    why = "no charging above" if warn == cell.charge_high_c else "5 °C before it"
    origin = (
        f"{cell.name} by the chemistry table, common practice: no use above {trip:g} °C; warn at {warn:g} °C, {why}"
    )
    return on.limit(warn, trip, origin, margin=2.0, raise_s=10.0, clear_s=60.0)


def _pack_temperature_low(on: Ground) -> Limit:
    cell = on.machine.pack.cell
    trip = cell.discharge_low_c
    warn = max(cell.charge_low_c, trip + TEMPERATURE_MARGIN_C)
    why = "no charging below, braking included" if warn == cell.charge_low_c else "5 °C before it"
    origin = (
        f"{cell.name} by the chemistry table, common practice: no use below {trip:g} °C; warn at {warn:g} °C, {why}"
    )
    return on.limit(warn, trip, origin, margin=2.0, raise_s=10.0, clear_s=60.0)


FRAMES = (
    Frame("pack-voltage-low", "pack_voltage", "low", _pack_voltage_low),
    Frame("pack-voltage-high", "pack_voltage", "high", _pack_voltage_high),
    Frame("cell-voltage-low", "cell_min_voltage", "low", _cell_voltage_low),
    Frame("cell-voltage-high", "cell_max_voltage", "high", _cell_voltage_high),
    Frame("pack-temperature-high", "pack_temperature_*", "high", _pack_temperature_high, "either"),
    Frame("pack-temperature-low", "pack_temperature_*", "low", _pack_temperature_low, "either"),
)
