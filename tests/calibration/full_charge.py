"""What a full charge buys, said after one drive: energy, hours, kilometres and hectares.

The truth is driven: the pack as it was before the drive is charged as a charger does it, and driven by the drive's
own power over and over, until its first cell is at its lowest voltage. Energy, hours and distance count till then.
Power and not current: the same work at the same pace takes the same power when the voltage has fallen.

Nothing in a drive tells the capacity, so what the owner states decides. Of eight packs three are new, and their
owners say so; three are used, hold 75 to 100 % of what the plate says, and nobody says how far to trust it; of two
the plate is wrong, by up to two fifths. A third of the drives is shorter than 20 minutes, a third read each 2 s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import replace
from functools import lru_cache

import numpy as np

from telemetry.analysis.ranges import Range
from telemetry.analysis.series import Series
from telemetry.analysis.session_figures import figures_of
from telemetry.analysis.work_session import SessionWork
from telemetry.machine.sections import Machine
from telemetry.machine.vehicle_keys import Work as Stated
from tests.calibration.case import Case
from tests.calibration.course import Run, driving
from tests.calibration.figure import Figure, Row
from tests.calibration.kinds import drives
from tests.calibration.packs import DrawnPack, draw_pack

STEP_S = 1.0
_PLATES_OF_EIGHT = ("new", "used", "wrong plate", "new", "used", "wrong plate", "new", "used")
_SHORT_MIN = 20.0
_AREA_HA = 1.0
"""Mown in the drive, as its owner states."""
_LONGEST_H = 40.0
_SPEED_ERROR = 0.02


def draw(made_of: tuple[str, str, float], name: str, seed: int) -> Case:
    """Return a drive of 12 to 90 minutes, and in ``Truth.whole`` what a whole charge driven likewise gives."""
    plate = _PLATES_OF_EIGHT[seed % len(_PLATES_OF_EIGHT)]
    drawn = draw_pack(seed, 83, made_of, (0.6, 1.0), plate=plate)
    random, stated = drawn.random, drawn.pack.capacity_ah
    short = bool(random.random() < 1 / 3)
    minutes = float(random.uniform(12.0, _SHORT_MIN) if short else random.uniform(_SHORT_MIN, 90.0))
    every_s = float(random.choice([1.0, 1.0, 2.0]))
    before, session = deepcopy(drawn), drawn.session(STEP_S)
    session.drive(driving(minutes, stated, STEP_S, random))
    run = session.finished()
    km_h = np.where(np.abs(run.current_a) > 0.01 * stated, float(random.uniform(4.0, 20.0)), 0.0)
    whole = from_full(before, run, km_h, float(random.uniform(0.2, 0.4)))
    odd = [name, plate]
    odd += ["short drive"] if len(run.current_a) * STEP_S < 60.0 * _SHORT_MIN else []
    odd += ["a row each 2 s"] if every_s > 1.0 else []
    odd += ["a low cell"] if drawn.fault[0].startswith("low") else []
    case = drawn.case(", ".join(odd), run, every_s, whole=whole)
    shown = (1.0 + random.uniform(-_SPEED_ERROR, _SPEED_ERROR)) * km_h
    speed = {"vehicle_speed": Series(case.truth.t, shown)}
    return replace(case, series=replace(case.series, signals={**case.series.signals, **speed}))


def from_full(drawn: DrawnPack, driven: Run, km_h: np.ndarray, rate_c: float) -> tuple[float, float, float, float]:
    """Return Wh, h, km and ha of a whole charge: charged, rested, then driven by the drive's power over and over."""
    session = drawn.session(STEP_S)
    session.charge(rate_c)
    session.rest(600.0)
    begin = len(session.finished().current_a)
    wanted = driven.current_a * driven.volts.sum(axis=1)
    times = int(np.ceil(3600.0 * _LONGEST_H / len(wanted)))
    session.drive(np.tile(wanted, times), watts=True)
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


EVERY = drives(draw)
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
