"""What a full charge buys, said after one drive: energy, hours, kilometres and hectares.

The truth is driven: the pack as it was before the drive is charged as a charger does it, and driven by the drive's
own current over and over, until its first cell is at its lowest voltage. Energy, hours and distance count till then.

Nothing in a drive tells the capacity, so what the owner states decides. Of eight packs three are new, and their
owners say so; three are used, hold 75 to 100 % of what the plate says, and nobody says how far to trust it; of two
the plate is wrong, by up to two fifths. A third of the drives is shorter than 20 minutes, a third read each 2 s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import replace
from functools import lru_cache, partial

import numpy as np

from telemetry.analysis.ranges import Range
from telemetry.analysis.series import Series
from telemetry.analysis.session_figures import figures_of
from telemetry.analysis.work_session import SessionWork
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.machine.vehicle_keys import Work as Stated
from tests.calibration.case import Case, Kind, Truth
from tests.calibration.course import CellModel, Session, driving
from tests.calibration.figure import Figure, Row
from tests.calibration.kinds import CELSIUS, FAULTS, MAKERS, drawn_fault
from tests.calibration.sensors import Instruments, recorded

STEP_S = 1.0
PLATES = {"new": (0.97, 1.03), "used": (0.75, 1.0), "wrong plate": (0.6, 1.15)}
"""What the pack holds over what its plate says, lowest and highest."""
_PLATES_OF_EIGHT = (*["new"] * 3, *["used"] * 3, *["wrong plate"] * 2)
_SHORT_MIN = 20.0
_AREA_HA = 1.0
"""Mown in the drive, as its owner states."""
_LONGEST_H = 40.0
_SPEED_ERROR = 0.02


def draw(source: str, chemistry: str, celsius: float, name: str, seed: int) -> Case:
    """Return a drive of 12 to 90 minutes, and in ``Truth.whole`` what a whole charge driven likewise gives."""
    random = np.random.default_rng([seed, 83, ("lfp", "nmc").index(chemistry), int(celsius)])
    count = int(random.choice([16, 24] if chemistry == "lfp" else [14, 20]))
    stated = float(random.choice([40.0, 60.0, 105.0, 150.0]))
    which = str(random.choice(FAULTS))
    fault = (which, int(random.integers(count)), drawn_fault(which, random))
    plate = str(random.choice(_PLATES_OF_EIGHT))
    held = stated * float(random.uniform(*PLATES[plate]))
    short = bool(random.random() < 1 / 3)
    minutes = float(random.uniform(12.0, _SHORT_MIN) if short else random.uniform(_SHORT_MIN, 90.0))
    every_s = float(random.choice([1.0, 1.0, 2.0]))
    error = 3.0 if plate == "new" else None
    pack = Pack(chemistry=chemistry, cells_in_series=count, capacity_ah=stated, capacity_error_percent=error)
    cells = MAKERS[source](chemistry, celsius, count, held, float(random.uniform(0.6, 1.0)), fault, random)
    before = deepcopy(cells)
    session = Session(cells, pack.cell, stated, STEP_S)
    session.drive(driving(minutes, stated, STEP_S, random))
    run = session.finished()
    km_h = np.where(np.abs(run.current_a) > 0.01 * stated, float(random.uniform(4.0, 20.0)), 0.0)
    whole = from_full(before, pack, run.current_a, km_h, float(random.uniform(0.2, 0.4)))
    instruments = Instruments.drawn(random, count, stated, every_s)
    series = recorded(run, instruments, celsius, random)
    t = np.round(np.arange(len(run.current_a)) * run.dt * 1e6).astype(np.int64)
    shown = (1.0 + random.uniform(-_SPEED_ERROR, _SPEED_ERROR)) * km_h
    series = replace(series, signals={**series.signals, "vehicle_speed": Series(t, shown)})
    errors = (instruments.gain, instruments.offset_a, instruments.lag_s + instruments.scan_s / 2)
    capacity = np.array(session.capacity_ah)
    truth = Truth(t, run.current_a, run.volts, run.share, capacity, celsius, *fault, *errors, whole=whole)
    odd = [plate]
    odd += ["short drive"] if len(t) * STEP_S < 60.0 * _SHORT_MIN else []
    odd += ["a row each 2 s"] if every_s > 1.0 else []
    odd += ["a low cell"] if which.startswith("low") else []
    return Case(", ".join([name, *odd]), seed, series, pack, truth)


def from_full(
    cells: CellModel, pack: Pack, current_a: np.ndarray, km_h: np.ndarray, rate_c: float
) -> tuple[float, float, float, float]:
    """Return Wh, h, km and ha of a whole charge: charged, rested, then driven by ``current_a`` over and over."""
    session = Session(cells, pack.cell, pack.capacity_ah, STEP_S)
    session.charge(rate_c)
    session.rest(600.0)
    begin = len(session.finished().current_a)
    times = int(np.ceil(3600.0 * _LONGEST_H / len(current_a)))
    session.drive(np.tile(current_a, times))
    run = session.finished()
    power = run.current_a[begin:] * run.volts[begin:].sum(axis=1)
    hours = len(power) * STEP_S / 3600.0
    km = float(np.tile(km_h, times)[: len(power)].sum()) * STEP_S / 3600.0
    return float(power.sum()) * STEP_S / 3600.0, hours, km, _AREA_HA * km / (float(km_h.sum()) * STEP_S / 3600.0)


@lru_cache(maxsize=1)
def told(case: Case) -> SessionWork:
    """Return what the report says of the drive's work."""
    series = replace(case.series, cells=None)  # the cells say nothing of the work
    return figures_of(series, Machine(pack=case.pack, work=Stated(area_ha=_AREA_HA))).work


def rows_of(place: int, read: Callable[[SessionWork], Range | None]) -> Callable[[Case], Iterator[Row]]:
    """Return rows of one figure, per cent of the true one, which is at ``place`` of ``Truth.whole``."""

    def rows(case: Case) -> Iterator[Row]:
        work = told(case)
        found = read(work)
        if found is not None and work.work.h_per_charge is not None:
            percent = 100.0 / case.truth.whole[place]
            value, low, high = percent * found.mid, percent * found.low, percent * found.high
            yield Row(case.kind, case.name, 0.0, value, low, high, 100.0)

    return rows


def kinds() -> tuple[Kind, ...]:
    """Return the kinds: every source, chemistry and temperature."""
    found = []
    for source in MAKERS:
        for chemistry in ("lfp", "nmc"):
            for celsius in CELSIUS:
                name = f"{chemistry}, {celsius:g} °C, {source}"
                drawn = partial(draw, source, chemistry, celsius, name)
                found.append(Kind(name, source, chemistry, celsius, "drive", drawn))
    return tuple(found)


EVERY = kinds()
_TOLD: tuple[tuple[str, str, Callable[[SessionWork], Range | None]], ...] = (
    ("energy", "Energy", lambda found: found.charge_wh),
    ("hours", "Hours", lambda found: found.work.h_per_charge),
    ("kilometres", "Kilometres", lambda found: found.work.km_per_charge),
    ("hectares", "Hectares", lambda found: found.work.ha_per_charge),
)
FIGURES = tuple(
    Figure(
        f"full-charge-{name}",
        f"{title} of a full charge, per cent of the true one",
        "%",
        EVERY,
        rows_of(place, read),
        (0.7, 55.0),  # a cold session is told to half of it at best
    )
    for place, (name, title, read) in enumerate(_TOLD)
)
