"""What the machine did when: rest, drive, work, charge, each as contiguous phases with what they took.

*Charge* is current into the pack that lasts a minute and more while the machine stands, or while a meter shows the
charger at work. *Work* is the implement engaged: by its signal, else by the operator's marks, else by the load, and
which of them it was is always said. *Drive* is any other flow or movement; what returns while braking belongs to it.
*Rest* is the remainder. Phases follow each other without a hole but for gaps in the recording.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Literal

import numpy as np
import numpy.typing as npt

from telemetry.analysis.phase_grid import Grid, closed, find_grid, runs, without_short
from telemetry.analysis.phase_implement import STANDING_KM_H, EngagedBy, engaged_steps
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower, find_power
from telemetry.model.batch import MICROSECONDS, Flags
from telemetry.model.figures import HIDDEN

_BIG_V = 20.0  # a pack above is a vehicle's, below that of a model or a tool; ours


PhaseKind = Literal["rest", "drive", "work", "charge"]
KINDS: tuple[PhaseKind, ...] = ("rest", "drive", "work", "charge")

# All common practice, from memory.
_CHARGE_LEAST_S, _CHARGE_LEAST_WITHOUT_SPEED_S, _CHARGE_PAUSE_S = 60.0, 180.0, 120.0
_REST_LEAST_S, _DRIVE_LEAST_S = 30.0, 5.0
_CHARGER_ON_W = 30.0


@dataclass(frozen=True)
class Phase:
    """One stretch of one kind.

    Attributes:
        kind: what it was.
        start_s, end_s: seconds as shown to the user.
        start, end: the same in int64 microseconds.
        energy_wh: net out of the pack, Wh, negative while charging; None where there is no power.
        returned_wh: what came in, Wh, >= 0; braking in drive and work, the charger's in charge.
        charge_ah: net out of the pack, Ah.
        mean_power_w: net energy over the known time, W.
        median_power_w, peak_power_w: over the rows of power, W; while charging the peak is the strongest inflow.
        known_s: seconds in which power (else current) is known.
    """

    digits: ClassVar = 3

    kind: PhaseKind
    start_s: float
    end_s: float
    start: int = field(metadata=HIDDEN)
    end: int = field(metadata=HIDDEN)
    energy_wh: float | None
    returned_wh: float | None
    charge_ah: float
    mean_power_w: float | None
    median_power_w: float | None
    peak_power_w: float | None
    known_s: float

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Phases:
    """What :func:`find_phases` found.

    Attributes:
        phases: in time order.
        work_by: how work was told: ``signal``, ``mark``, ``load``; None where there is none.
        unknown: why something is missing.
    """

    phases: tuple[Phase, ...] = ()
    work_by: EngagedBy | None = None
    unknown: Mapping[str, str] = field(default_factory=dict)

    def of(self, *kinds: PhaseKind) -> list[Phase]:
        """Return the phases of these kinds in time order."""
        return [phase for phase in self.phases if phase.kind in kinds]


def find_phases(
    series: SessionSeries,
    power: SessionPower | None = None,
    capacity_ah: float | None = None,
    has_implement: bool | None = None,
) -> Phases:
    """Return the phases of ``series``.

    Args:
        series: the session.
        power: its power as :func:`find_power` gives it; made here where it is None.
        capacity_ah: rated capacity, Ah, which scales what counts as rest; None where it is not stated.
        has_implement: False: the machine drives nothing but its wheels, so the load is not asked for work.
    """
    power = power or find_power(series)
    if power.current is None:
        return Phases(unknown={"phases": "pack_current was not recorded"})
    grid = find_grid(power.current)
    rest_below = _rest_below(grid, series, capacity_ah)
    labels, work_by = _labels(series, power, grid, rest_below, has_implement)
    phases = tuple(_phases(series, power, grid, labels))
    unknown = {}
    if power.power is None:
        unknown["energy_wh"] = "pack_voltage was not recorded"
    if not any(phase.kind == "work" for phase in phases):
        unknown["work"] = (
            "the implement was never engaged"
            if work_by in ("signal", "mark")
            else "implement_engaged was not recorded, there are no marks such as 'load on' and 'load off', "
            "and the load alone does not show when an implement runs"
        )
        work_by = None
    return Phases(phases, work_by, unknown)


def _rest_below(grid: Grid, series: SessionSeries, capacity_ah: float | None) -> float:
    """Return the current below which the pack counts as at rest: 3 % of the session's high current, within reason.

    A key that is on draws 0.3 to 1 A (common practice), so 1.5 A is the most that counts as rest for a big pack;
    the least is a hundredth of the capacity an hour.
    """
    known = np.abs(grid.values[grid.known])
    high = float(np.quantile(known, 0.99)) if len(known) else 0.0
    voltage = series.get("pack_voltage")
    big = voltage is not None and float(np.median(voltage.values)) > _BIG_V
    least = 0.01 * capacity_ah if capacity_ah is not None else 0.5 if big else 0.03
    return max(min(0.03 * high, 1.5), min(least, 1.5))


def _charging(series: SessionSeries, grid: Grid, least: float) -> Flags:
    """Return in which steps a charger is at work; ``least`` in the flow's unit counts as a flow at all."""
    into = np.where(grid.known, grid.values, 0.0) < -least
    speed = np.abs(grid.sampled(series.get("vehicle_speed")))
    has_speed = not np.isnan(speed).all()
    standing = ~(speed > STANDING_KM_H)
    least_s = _CHARGE_LEAST_S if has_speed else _CHARGE_LEAST_WITHOUT_SPEED_S
    flags = without_short(closed(into & standing, grid.steps_in(5.0)), grid.steps_in(least_s))
    wall = grid.sampled(series.get("charger_input_power"))
    flags |= (wall > _CHARGER_ON_W) & into
    return (
        closed(flags, grid.steps_in(_CHARGE_PAUSE_S)) & grid.known & standing & ~(np.nan_to_num(grid.values) > least)
    )


def _labels(
    series: SessionSeries, power: SessionPower, grid: Grid, rest_below: float, has_implement: bool | None
) -> tuple[npt.NDArray[np.int8], EngagedBy | None]:
    """Return the kind of every step by its place in ``KINDS``, -1 in gaps, and how work was told."""
    charging = _charging(series, grid, min(0.3 * rest_below, 0.3))
    moving = np.abs(grid.sampled(series.get("vehicle_speed"))) > STANDING_KM_H
    active = (np.abs(np.where(grid.known, grid.values, 0.0)) > rest_below) | moving
    active = closed(without_short(active, grid.steps_in(_DRIVE_LEAST_S)), grid.steps_in(_REST_LEAST_S) - 1)
    engaged, by = engaged_steps(series, power, grid, active & ~charging, has_implement)
    labels = np.zeros(len(grid), dtype=np.int8)
    labels[active] = KINDS.index("drive")
    if by is not None:
        labels[engaged] = KINDS.index("work")
    labels[charging] = KINDS.index("charge")
    labels[~grid.known] = -1
    return labels, by


def _phases(series: SessionSeries, power: SessionPower, grid: Grid, labels: npt.NDArray[np.int8]) -> Iterator[Phase]:
    assert power.current is not None
    last = int(power.current.t[-1])
    for label, first, end in runs(labels):
        if label >= 0:
            yield _phase(series, power, KINDS[label], grid.edge(first), min(grid.edge(end), last))


def _phase(series: SessionSeries, power: SessionPower, kind: PhaseKind, start: int, end: int) -> Phase:
    assert power.current is not None
    flow = power.power
    out, into = power.current.between(start, end)
    energy = returned = mean = median = peak = None
    known = power.current.known_s(start, end)
    if flow is not None:
        energy_out, returned = flow.between(start, end)
        energy = energy_out - returned
        known = flow.known_s(start, end)
        mean = energy / known * 3600 if known > 0 else None
        rows = flow.values[flow.rows(start, end)]
        if len(rows):
            median = float(np.median(rows))
            peak = float(rows.min() if kind == "charge" else rows.max())
    seconds = ((start - series.origin) / MICROSECONDS, (end - series.origin) / MICROSECONDS)
    return Phase(kind, *seconds, start, end, energy, returned, out - into, mean, median, peak, known)
