"""Voltages of pack, controller and cells, and temperatures, against their limits."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.parts_seen import (
    HIGH_VOLTAGE_S,
    LOW_VOLTAGE_S,
    TEMPERATURE_S,
    cells_seen,
    highest,
    hottest_pack,
    lowest,
)
from telemetry.analysis.session_figures import NO_MACHINE, SessionFigures
from telemetry.machine.limits import limits_for
from telemetry.machine.limits_voltage import HIGH_WARN_SHARE, low_warning
from telemetry.machine.sections import Machine
from telemetry.report.part_row import Bound, PartRow, make_row, not_stated, plain_value, with_unit

USUAL_C = 20.0
"""Where the gauge of a temperature begins."""


def voltage_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the lowest and highest voltage of pack and controller, against each cut-off."""
    machine, series = figures.machine, figures.series
    pack_v, controller_v = series.get("pack_voltage"), series.get("controller_voltage")
    low = lowest(pack_v, series.origin, LOW_VOLTAGE_S)
    high = highest(pack_v, series.origin, HIGH_VOLTAGE_S)
    why = NO_MACHINE if machine is None else "record pack_voltage"
    for bound in [None] if machine is None else pack_low(machine):
        key = (
            "pack-low-voltage" if bound is None or not bound.origin.startswith("chemistry") else "pack-cells-minimum"
        )
        part = "pack, lowest voltage" if key == "pack-low-voltage" else "pack, cells' minimum"
        yield make_row(key, part, "V", low, bound, why)
    yield make_row(
        "pack-high-voltage", "pack, highest voltage", "V", high, None if machine is None else _pack_high(machine), why
    )
    why = NO_MACHINE if machine is None else "record controller_voltage"
    at_low, at_high = (
        lowest(controller_v, series.origin, LOW_VOLTAGE_S),
        highest(controller_v, series.origin, HIGH_VOLTAGE_S),
    )
    minimum = None if machine is None else machine.vehicle.minimum_voltage_v
    maximum = None if machine is None else machine.vehicle.maximum_voltage_v
    bound = None
    if machine is not None and minimum is not None:
        bound = low_bound(machine, minimum, "[machine] minimum_voltage_v")
    missing = why if machine is None or minimum is not None else not_stated(machine, "machine", "minimum_voltage_v")
    yield make_row("controller-low-voltage", "controller, lowest V", "V", at_low, bound, missing)
    bound = None
    if machine is not None and maximum is not None:
        bound = _high(machine, maximum, "[machine] maximum_voltage_v")
        at_high = at_high or high  # without load both are the same, and under load the controller's is lower
    missing = why if machine is None or maximum is not None else not_stated(machine, "machine", "maximum_voltage_v")
    yield make_row("controller-high-voltage", "controller, highest V", "V", at_high, bound, missing)


def pack_low(machine: Machine) -> Iterator[Bound]:
    """Yield the cut-off of the pack, and what its cells stand where that is stricter or nothing else is known."""
    pack = machine.pack
    cells_v = pack.cells_in_series * pack.cell.minimum_v
    own = _overridden(machine, "pack-voltage-low", "low")
    if own is not None:
        yield own
    elif pack.low_cutoff_v is not None:
        yield low_bound(machine, pack.low_cutoff_v, "[pack] low_cutoff_v")
        if pack.low_cutoff_v >= cells_v:
            return
    origin = f"{pack.cells_in_series} {pack.cell.name} cells at {pack.cell.minimum_v:.2f} V (program's default)"
    if own is None and pack.low_cutoff_v is None:
        yield Bound(cells_v, pack.cells_in_series * pack.cell.low_warn_v, origin, _full_v(machine), "low")
    elif own is None:
        yield Bound(cells_v, None, f"chemistry: {origin}", _full_v(machine), "low")


def _pack_high(machine: Machine) -> Bound:
    pack = machine.pack
    own = _overridden(machine, "pack-voltage-high", "high")
    if own is not None:
        return own
    if pack.high_cutoff_v is not None:
        return _high(machine, pack.high_cutoff_v, "[pack] high_cutoff_v")
    count, cell = pack.cells_in_series, pack.cell
    origin = f"{count} {cell.name} cells at {cell.maximum_v:.2f} V (program's default)"
    return Bound(count * cell.maximum_v, count * cell.high_warn_v, origin, pack.nominal_v)


def low_bound(machine: Machine, limit: float, origin: str) -> Bound:
    """Return a low cut-off, V, with the warning that the alarm on a low pack has."""
    warn, _ = low_warning(limit, machine.pack.nominal_v)
    return Bound(limit, warn, origin, max(_full_v(machine), limit * 1.01), "low")


def _high(machine: Machine, limit: float, origin: str) -> Bound:
    return Bound(limit, (1 - HIGH_WARN_SHARE) * limit, origin, min(machine.pack.nominal_v, limit * 0.99))


def _full_v(machine: Machine) -> float:
    """Return the pack's voltage at rest and nearly full, V: where the gauge of a low voltage begins."""
    return machine.pack.cells_in_series * _full_cell_v(machine)


def _full_cell_v(machine: Machine) -> float:
    return float(open_circuit_tables(machine.pack.chemistry)[0].volts_at(0.95))


def _overridden(machine: Machine, name: str, side: Literal["high", "low"]) -> Bound | None:
    """Return the limit that the owner set in ``[limits.NAME]``; None where he left ours."""
    override = machine.limit_overrides.get(name)
    if override is None or override.trip is None:
        return None
    warn = next((limit.warn for limit in limits_for(machine) if limit.name == name), override.warn)
    start = _full_v(machine) if side == "low" else machine.pack.nominal_v
    return Bound(override.trip, warn, f"[limits.{name}] trip", start, side)


def _limit(machine: Machine | None, name: str, start: float, record: str) -> tuple[Bound | None, str]:
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
    elif "common practice" in found.origin:
        cells = f" for {machine.pack.cell.name} cells" if "chemistry table" in found.origin else ""
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
        bound, why = _limit(machine, f"cell-voltage-{word}", start, "record the cell voltages")
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
        bound, why = _limit(machine, f"{word}-temperature-high", USUAL_C, f"record {signal}")
        rise = 0.0 if worst is None else worst.value - worst.start
        seen = "" if worst is None else f"{with_unit(worst.value, '°C')}, rise {plain_value(rise, '°C')}"
        yield make_row(f"{word}-temperature", f"{word} temperature", "°C", worst, bound, why, seen=seen)
