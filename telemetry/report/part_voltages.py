"""Voltages of pack, controller and cells, and temperatures, against their limits."""

from __future__ import annotations

from collections.abc import Iterator

from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.parts_seen import (
    HIGH_VOLTAGE_S,
    LOW_VOLTAGE_S,
    TEMPERATURE_S,
    Worst,
    cells_seen,
    highest,
    hottest_pack,
    lowest,
    under_load,
)
from telemetry.analysis.resistance import least_current
from telemetry.analysis.session_figures import NO_MACHINE, SessionFigures
from telemetry.machine.limits import limits_for
from telemetry.machine.limits_voltage import pack_high_warning, pack_low_warning
from telemetry.machine.sections import Machine
from telemetry.report.part_currents import NO_LOAD, current_missing, outflow
from telemetry.report.part_row import Bound, PartRow, make_row, not_stated, with_unit

USUAL_C = 20.0
"""Where the gauge of a temperature begins."""


def voltage_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the lowest and highest voltage of pack and controller, against each cut-off."""
    machine, series = figures.machine, figures.series
    low = lowest(series.get("pack_voltage"), series.origin, LOW_VOLTAGE_S)
    high = highest(series.get("pack_voltage"), series.origin, HIGH_VOLTAGE_S)
    why = NO_MACHINE if machine is None else "record pack_voltage"
    low_cutoff, high_cutoff = (None, None) if machine is None else (pack_low(machine), _pack_high(machine))
    yield make_row("pack-low-voltage", "pack, lowest voltage", "V", low, low_cutoff, why)
    if machine is not None and (cells_minimum := _cells_minimum(machine)) is not None:
        yield make_row("pack-cells-minimum", "pack, cells' minimum", "V", low, cells_minimum, why)
    yield make_row("pack-high-voltage", "pack, highest voltage", "V", high, high_cutoff, why)
    yield from _controller(figures, high)


def _controller(figures: SessionFigures, pack_high: Worst | None) -> Iterator[PartRow]:
    machine, series = figures.machine, figures.series
    volts = series.get("controller_voltage")
    least_a = 0.0 if machine is None else least_current(machine.pack)
    low = lowest(under_load(volts, outflow(figures), least_a), series.origin, LOW_VOLTAGE_S)
    high = highest(volts, series.origin, HIGH_VOLTAGE_S)
    absent = "record controller_voltage" if volts is None else current_missing(figures) or NO_LOAD
    for word, key, worst in (("lowest", "minimum_voltage_v", low), ("highest", "maximum_voltage_v", high)):
        stated = None if machine is None else getattr(machine.vehicle, key)
        bound, why = None, not_stated(machine, "machine", key)
        if machine is not None and stated is not None:
            bound_of = low_bound if word == "lowest" else _high
            bound, why = bound_of(machine, stated, f"[machine] {key}"), absent
            if word == "highest":
                worst = worst or pack_high  # without load both are the same, and under load the controller's is lower
        yield make_row(
            f"controller-{word.removesuffix('est')}-voltage", f"controller, {word} V", "V", worst, bound, why
        )


def pack_low(machine: Machine) -> Bound:
    """Return the low cut-off of the pack: the owner's own limit, the pack's, else its cells' minimum."""
    pack = machine.pack
    own = _overridden(machine, "pack-voltage-low", _full_v(machine))
    if own is not None:
        return own
    if pack.low_cutoff_v is not None:
        return low_bound(machine, pack.low_cutoff_v, "[pack] low_cutoff_v")
    return _by_chemistry(machine)


def _cells_minimum(machine: Machine) -> Bound | None:
    """Return the cells' minimum by chemistry where the BMS cut-off lies below it."""
    cutoff = machine.pack.low_cutoff_v
    found = _by_chemistry(machine)
    return found if cutoff is not None and cutoff < found.limit else None


def _by_chemistry(machine: Machine) -> Bound:
    count, cell = machine.pack.cells_in_series, machine.pack.cell
    origin = f"{count} {cell.label} cells at {cell.minimum_v:.2f} V (program's default)"
    return Bound(count * cell.minimum_v, count * cell.low_warn_v, origin, _full_v(machine), "low")


def _pack_high(machine: Machine) -> Bound:
    pack = machine.pack
    own = _overridden(machine, "pack-voltage-high", pack.nominal_v)
    if own is not None:
        return own
    if pack.high_cutoff_v is not None:
        return _high(machine, pack.high_cutoff_v, "[pack] high_cutoff_v")
    count, cell = pack.cells_in_series, pack.cell
    origin = f"{count} {cell.label} cells at {cell.high_trip_v:.2f} V (program's default)"
    return Bound(count * cell.high_trip_v, count * cell.high_warn_v, origin, pack.nominal_v)


def low_bound(machine: Machine, limit: float, origin: str) -> Bound:
    """Return a low cut-off, V, with the warning that the alarm on a low pack has."""
    warn, _ = pack_low_warning(machine.pack, limit)
    return Bound(limit, warn, origin, max(_full_v(machine), limit * 1.01), "low")


def _high(machine: Machine, limit: float, origin: str) -> Bound:
    warn, _ = pack_high_warning(machine.pack, limit)
    return Bound(limit, warn, origin, min(machine.pack.nominal_v, limit * 0.99))


def _full_v(machine: Machine) -> float:
    """Return the pack's voltage at rest and nearly full, V: where the gauge of a low voltage begins."""
    return machine.pack.cells_in_series * _full_cell_v(machine)


def _full_cell_v(machine: Machine) -> float:
    return float(open_circuit_tables(machine.pack.chemistry)[0].volts_at(0.95))


def _overridden(machine: Machine, name: str, start: float) -> Bound | None:
    """Return the limit that the owner set in ``[limits.NAME]``; None where ours counts."""
    override = machine.limit_overrides.get(name)
    return None if override is None or override.trip is None else limit_of(machine, name, start, "")[0]


def limit_of(machine: Machine | None, name: str, start: float, record: str) -> tuple[Bound | None, str]:
    """Return the limit in force of that name, None where there is none, and why a part that has it is not judged.

    Args:
        machine: None where no machine file says what it is.
        name: of the limit.
        start: where the gauge begins.
        record: what to record, the reason where there is a limit.
    """
    if machine is None:
        return None, NO_MACHINE
    found = next((limit for limit in limits_for(machine) if limit.name == name), None)
    if found is None or found.trip is None:
        return None, f"its limit is switched off in [limits.{name}]"
    override = machine.limit_overrides.get(name)
    if override is not None and override.trip is not None:
        origin = f"[limits.{name}] trip"
    elif "common practice" in found.origin or "from memory" in found.origin:
        cells = f" for {machine.pack.cell.label} cells" if "chemistry table" in found.origin else ""
        origin = f"program's default{cells}, common practice"
    else:
        origin = found.origin
    return Bound(found.trip, found.warn, origin, start, found.side), record


def cell_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the lowest and the highest cell."""
    machine = figures.machine
    low, high = cells_seen(figures.series)
    full, nominal = (0.0, 0.0) if machine is None else (_full_cell_v(machine), machine.pack.cell.nominal_v)
    for worst, word, start in ((low, "low", full), (high, "high", nominal)):
        number = f" {worst.name}" if worst is not None and worst.name else ""
        bound, why = limit_of(machine, f"cell-voltage-{word}", start, "record the cell voltages")
        yield make_row(f"{word}est-cell", f"{word}est cell{number}", "V", worst, bound, why)


def temperature_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the highest temperature of pack, motor and controller, with its rise since the start."""
    machine, series = figures.machine, figures.series
    for word, worst, signal in (
        ("pack", hottest_pack(series), "pack_temperature_1"),
        *(
            (word, highest(series.get(f"{word}_temperature"), series.origin, TEMPERATURE_S), f"{word}_temperature")
            for word in ("motor", "controller")
        ),
    ):
        bound, why = limit_of(machine, f"{word}-temperature-high", USUAL_C, f"record {signal}")
        rise = 0.0 if worst is None else worst.value - worst.start
        seen = "" if worst is None else f"{with_unit(worst.value, '°C')}, rise {with_unit(rise, '°C')}"
        yield make_row(f"{word}-temperature", f"{word} temperature", "°C", worst, bound, why, seen=seen)
