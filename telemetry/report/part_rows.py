"""Each part of a machine against its limit: the worst that a session showed, the limit, where it is from, headroom.

A part is judged where its limit is known and the session shows what the limit is about. What is not judged says what
to state in the machine file, or what to record. The rows of joints and of predicted voltages are made here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from telemetry.analysis.parts_seen import PULL_S, Worst, peak_current, steady_current
from telemetry.analysis.path_loss import Sag, sag_in_the_cold, sag_nearly_empty
from telemetry.analysis.ranges import Z90
from telemetry.analysis.session_figures import NO_MACHINE, SessionFigures
from telemetry.machine.limits_cells import RATIO_TRIP, RATIO_WARN
from telemetry.machine.limits_current import CONNECTOR_WINDOW_S
from telemetry.machine.limits_vehicle import conductor_ohm
from telemetry.report.numbers import plain
from telemetry.report.part_currents import current_missing, current_rows, outflow
from telemetry.report.part_row import LEVELS, RATIO, Bound, PartRow, make_row, plain_value, with_unit
from telemetry.report.part_voltages import cell_rows, limit_of, low_bound, pack_low, temperature_rows, voltage_rows


def part_rows(figures: SessionFigures) -> tuple[PartRow, ...]:
    """Return a row for each part: past its limit, within its warning, holding, not judged; the most used first."""
    made = (current_rows, voltage_rows, cell_rows, temperature_rows, joint_rows, path_rows, predicted_rows)
    rows = [row for rows_of in made for row in rows_of(figures)]
    return tuple(sorted(rows, key=lambda row: (LEVELS.index(row.level), -(row.share_pct or 0.0))))


def joint_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the cell of the highest resistance, joints included, over the median cell, and the heat beyond it."""
    found, flow = figures.resistance, outflow(figures)
    part = "cell resistance"
    if found is None or not found.cells or flow is None:
        why = NO_MACHINE if figures.machine is None else current_missing(figures) or "record the cells under load"
        yield make_row("cell-resistance", part, RATIO, None, None, why)
        return
    worst = max(found.cells, key=lambda cell: cell.ratio)
    bound = Bound(RATIO_TRIP, RATIO_WARN, "program's default, over the median cell", 1.0)
    sustained = steady_current(flow, figures.series.origin, CONNECTOR_WINDOW_S)
    watts = 0.0 if sustained is None else (1.0 - 1.0 / worst.ratio) * worst.mohm / 1000 * sustained.value**2
    seen = f"{with_unit(worst.ratio, '×')} median, {with_unit(watts, 'W')}"
    surely = worst.ratio - Z90 * worst.ratio_uncertainty
    seen_at = Worst(worst.ratio, 0.0)
    row = make_row(
        "cell-resistance", f"cell {worst.cell}, resistance", RATIO, seen_at, bound, "", seen=seen, surely=surely
    )
    yield replace(row, at_s=None)


def path_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the heat of the joints between pack and controller at the highest sustained current."""
    flow = outflow(figures)
    part = "joints to controller"
    if flow is None:
        yield make_row("path", part, "W", None, None, current_missing(figures))
        return
    machine = figures.machine
    bound, why = limit_of(machine, "joint-heating", 0.0, "")
    loss = figures.path
    sustained = steady_current(flow, figures.series.origin, CONNECTOR_WINDOW_S)
    if loss.ohm is None or sustained is None:
        yield make_row("path", part, "W", None, bound, loss.why)
        return
    wire = 0.0 if machine is None else conductor_ohm(machine)
    low, likely, _ = (max(each - wire, 0.0) for each in loss.ohm)
    watts = Worst(likely * sustained.value**2, sustained.at_s)
    seen = f"{with_unit(watts.value, 'W')}, {plain(1000 * likely)} mΩ"
    yield make_row("path", part, "W", watts, bound, why, seen=seen, surely=low * sustained.value**2)


def predicted_rows(figures: SessionFigures) -> Iterator[PartRow]:
    """Yield the voltage under this drive's hardest pull at 20 % of charge and at 0 °C.

    At 20 % it counts as a caution at the most, for it has not happened; at 0 °C it only informs.
    """
    machine, flow = figures.machine, outflow(figures)
    if machine is None or flow is None or not figures.phases.of("drive", "work"):
        return
    pull = peak_current(flow, figures.series.origin, PULL_S)
    bound = pack_low(machine)
    minimum = machine.vehicle.minimum_voltage_v
    if minimum is not None and minimum > bound.limit:
        bound = low_bound(machine, minimum, "[machine] minimum_voltage_v")
    found = figures.resistance
    lacking = "the pack's resistance is not known: drive with at least six steps of load"
    empty, cold = Sag(None, lacking), Sag(None, lacking)
    ohm = None if found is None or pull is None else found.ohm_at(pull.value)
    if found is not None and pull is not None and ohm is not None:
        empty = sag_nearly_empty(machine.pack, ohm, pull.value)
        cold = sag_in_the_cold(machine.pack, ohm, pull.value, found.temperature_c)
    for key, part, sag, counts in (
        ("sag-nearly-empty", "sag at 20 % charge", empty, True),
        ("sag-cold", "sag at 20 %, 0 °C", cold, False),
    ):
        worst = None if sag.volts is None else Worst(sag.volts.mid, 0.0)
        seen = ""
        if sag.volts is not None:
            low, high = (plain_value(each, "V") for each in (sag.volts.low, sag.volts.high))
            seen = f"{with_unit(sag.volts.mid, 'V')} ({low}-{high})"
        yield make_row(
            key, part, "V", worst, bound, sag.why, seen=seen, surely=float("inf"), predicted=True, counts=counts
        )
