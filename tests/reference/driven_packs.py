"""Packs of simulated cells driven hard from full to empty and charged again, as poor instruments would tell of it.

The cells are those of ``drivers.simulated.cells``: measured open-circuit curves, hysteresis, ohmic and one RC
resistance, heat. The drive, the instruments and the faults are made here. Run by hand for many packs at once:

    python -m tests.reference.driven_packs 10

prints for each chemistry and fault how many packs of ten seeds were told of, how soon, and false alarms an hour.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from drivers.simulated.cells import CellParameters, Cells, OddCell
from telemetry.analysis.cells_live import CellWatch
from telemetry.machine.limits import Limit, limits_for
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.model.signals import cell_name
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.stage import Chain

PACKS = {
    "lfp": CellParameters("lfp", 24, 105.0, resistance_ohm=0.00065, rc_resistance_ohm=0.00040),
    "nmc": CellParameters("nmc", 14, 60.0, resistance_ohm=0.0012, rc_resistance_ohm=0.0008),
}
ODD_CELL = 5
FAULTS = {
    "healthy": {},
    "5 % low": {ODD_CELL: OddCell(capacity=0.95)},
    "double resistance": {ODD_CELL: OddCell(resistance=2.0)},
}
EXPECTED = {"5 % low": "cell-charge-low", "double resistance": "cell-resistance"}
AIR_C = 15.0
PLAIN_V = 0.05
"""What a plain number would be: common practice."""


@dataclass(frozen=True)
class Ride:
    """How a pack is driven and measured.

    Attributes:
        load_c: mean load on level ground, of the capacity in an hour; hills add up to three times as much.
        charge_c: of the charge, likewise.
        rate_hz: rows a second of currents and cells.
        lag_s: by which cells are read before the moment that their row bears.
        skew_s: between the first and the last cell of a row.
        step_s: of the simulation.

    """

    load_c: float = 0.45
    charge_c: float = 0.25
    rate_hz: float = 1.0
    lag_s: float = 0.5
    skew_s: float = 0.2
    step_s: float = 0.5


def parameters(chemistry: str, fault: str) -> CellParameters:
    """Return the cells of a pack with that fault."""
    base = PACKS[chemistry]
    return CellParameters(
        chemistry, base.count, base.capacity_ah, base.resistance_ohm, base.rc_resistance_ohm, odd=FAULTS[fault]
    )


def machine_of(what: CellParameters) -> Machine:
    """Return a machine file that states no more of the pack than it must."""
    pack = Pack(chemistry=what.chemistry, cells_in_series=what.count, capacity_ah=what.capacity_ah)
    return Machine(pack=pack)


def driven(what: CellParameters, seed: int, ride: Ride) -> tuple[Batch, Batch, float]:
    """Return the rows of cells and of current, and when the drive ended, s: empty by its lowest cell."""
    rng = np.random.default_rng([seed, 9])
    cells = Cells(what, 0.97, AIR_C, np.random.default_rng([seed, 0]))
    machine = machine_of(what)
    phases, volts, amperes = _phases(cells, machine, ride, rng), [], []
    drive_ends = 0.0
    for step in itertools.count():
        phase, current = next(phases)
        if phase == "over":
            break
        drive_ends = step * ride.step_s if phase == "drive" else drive_ends
        cells.step(current, ride.step_s, AIR_C)
        if step % max(1, round(0.5 / ride.step_s)) == 0:
            cells.warm_up()
        volts.append(cells.voltage)
        amperes.append(current)
    return *_measured(np.array(volts), np.array(amperes), ride, rng), drive_ends


def _phases(cells: Cells, machine: Machine, ride: Ride, rng: np.random.Generator) -> Iterator[tuple[str, float]]:
    """Give phase and wanted current, A, for each step: drive to empty, rest, charge, rest."""
    capacity, cell, dt = machine.pack.capacity_ah, machine.pack.cell, ride.step_s
    hill = rough = empty_s = 0.0
    for step in itertools.count():
        t = step * dt
        if step % round(20 / dt) == 0 and rng.random() < 0.5:
            hill = float(rng.choice([-0.8, 0.0, 0.6, 1.1, 2.0, 2.9])) * ride.load_c
        rough += -rough * dt / 1.2 + 0.12 * np.sqrt(2 * dt / 1.2) * rng.standard_normal() if dt < 1.2 else 0.0
        current = capacity * (ride.load_c * (1 + rough) + hill)
        if t % 900 > 780:
            current = 0.001 * capacity  # a stop of two minutes in every quarter of an hour
        if current < 0 and cells.soc.max() > 0.97:
            current = 0.0  # a full pack takes no braking current
        empty_s = empty_s + dt if cells.voltage.min() < cell.minimum_v else 0.0
        if empty_s >= 1.0:
            break
        yield "drive", current
    yield from [("rest", 0.0)] * round(300 / dt)
    full_v, high_s = (cell.charge_v - 0.02) * len(cells.soc), 0.0
    while high_s < 1.0:
        room = (full_v - cells.source_voltage.sum()) / (cells.total_resistance + 0.004)
        current = min(ride.charge_c * capacity, room)
        if current < 0.03 * capacity:
            break
        high_s = high_s + dt if cells.voltage.max() > cell.maximum_v else 0.0
        yield "charge", -current
    yield from [("rest", 0.0)] * round(300 / dt)
    yield "over", 0.0


def _measured(volts: np.ndarray, amperes: np.ndarray, ride: Ride, rng: np.random.Generator) -> tuple[Batch, Batch]:
    """Return what instruments tell: cells by the millivolt, read late and one after another; current by 0.1 A."""
    every = max(1, round(1 / ride.rate_hz / ride.step_s))
    rows = np.arange(0, len(amperes), every)
    t = (rows * ride.step_s * 1e6).astype(np.int64)
    count = volts.shape[1]
    back = [round((ride.lag_s + ride.skew_s * cell / count) / ride.step_s) for cell in range(count)]
    read = np.stack([volts[np.maximum(0, rows - back[cell]), cell] for cell in range(count)], axis=1)
    read = np.round((read + 0.0005 * rng.standard_normal(read.shape)) * 1000) / 1000
    current = np.round((amperes[rows] + 0.06 * rng.standard_normal(len(rows))) * 10) / 10
    cells = Group("pack", "cells", tuple(cell_name(number + 1) for number in range(count)))
    return Batch(cells, t, read), Batch(Group("pack", "pack", ("pack_current",)), t, current.reshape(-1, 1))


def alarms_of(what: CellParameters, cells: Batch, current: Batch) -> list[tuple[AlarmChange, int]]:
    """Return the alarms that the limits by chemistry raise, each with the number of the cell it is about, or 0."""
    machine = machine_of(what)
    limits: list[Limit] = [
        limit for limit in limits_for(machine) if limit.name.startswith(("cell-s", "cell-c", "cell-r"))
    ]
    stages = Chain([CellWatch(machine), Judge(limits)])
    end = int(cells.t[-1])
    span = stages.advance(Span(end, (cells, current), final=True))
    numbers = {batch.group.signals[0]: batch for batch in span.batches if len(batch.group.signals) == 2}
    told = []
    for change in span.events:
        if isinstance(change, AlarmChange) and change.state == "raised":
            batch = numbers.get(change.signal)
            number = 0 if batch is None else int(batch.values[batch.t.searchsorted(change.t, "right") - 1, 1])
            told.append((change, number))
    return told


def main(seeds: int) -> None:
    """Drive packs and print how the limits told of them."""
    rides = {"1 Hz": Ride(), "1 Hz hard": Ride(load_c=0.7), "1 Hz gentle": Ride(load_c=0.22)}
    rides["10 Hz"] = Ride(rate_hz=10.0, step_s=0.1)
    for chemistry, fault in itertools.product(PACKS, FAULTS):
        what = parameters(chemistry, fault)
        for name, ride in rides.items():
            hours, right, wrong, delays, plain = 0.0, 0, [], [], []
            for seed in range(seeds if ride.rate_hz < 2 else max(1, seeds // 5)):
                cells, current, drive_ends = driven(what, seed, ride)
                hours += int(cells.t[-1]) / 3.6e9
                spread = cells.values.max(axis=1) - cells.values.min(axis=1)
                plain.append(60 * int(cells.t[-1]) / 3.6e9 * float((spread > PLAIN_V).mean()))
                told = alarms_of(what, cells, current)
                meant = [c.t / 6e7 for c, n in told if c.limit == EXPECTED.get(fault) and n == ODD_CELL]
                right += bool(meant)
                if meant:
                    delays.append(meant[0] if fault != "5 % low" else drive_ends / 60 - meant[0])
                wrong += [c.limit for c, n in told if c.limit != EXPECTED.get(fault) or n != ODD_CELL]
            when = "min before empty" if fault == "5 % low" else "min after the start"
            delay = f"{min(delays):.1f} to {max(delays):.1f} {when}" if delays else ""
            beyond = f"plain spread beyond 50 mV for {min(plain):.0f} to {max(plain):.0f} min"
            told_of = f"{hours:.0f} h, found {right}, {delay}; others {wrong}; {beyond}"
            print(f"{chemistry} {fault}, {name}: {told_of}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
