"""A whole session's work: area, distance, what they took, and what a charge buys."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.analysis.field_area import FieldArea, find_field_area
from telemetry.analysis.phases import Phases
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.analysis.work import (
    CHARGE_ENERGY_SHARE,
    CHARGER_SHARE,
    Work,
    find_work,
)
from telemetry.machine.sections import Machine


@dataclass(frozen=True)
class SessionWork:
    """What :func:`session_work` found.

    Attributes:
        area: distance and area.
        work: energy, pace, money.
        energy_wh: net out of the pack with charging left out, Wh, 90 % bounds; None without power.
        charge_wh: what a full charge gives, Wh.
        km_per_wh, ha_per_wh: what a Wh gave, for the outlook.
    """

    area: FieldArea
    work: Work
    energy_wh: Range | None = None
    charge_wh: Range | None = None
    km_per_wh: Range | None = None
    ha_per_wh: Range | None = None


def session_work(
    series: SessionSeries,
    power: SessionPower,
    phases: Phases,
    machine: Machine | None = None,
    *,
    energy_uncertainty: float = 0.01,
    charge_wh: Range | None = None,
    charger_share: Range | None = None,
) -> SessionWork:
    """Return the work of ``series``; a session without drive or work has none, and says so.

    Args:
        series, power, phases: the session; phases of charge are left out.
        machine: what the owner states; None: what needs it is unknown.
        energy_uncertainty: one standard deviation of the net energy, as a share.
        charge_wh: what a full charge gives; None: not known.
        charger_share: measured efficiency of the charger; None: the usual range.
    """
    used = phases.of("drive", "work")
    if not used:
        why = "the session holds no drive or work"
        figures = ("distance_km", "area_ha")
        return SessionWork(FieldArea(unknown=dict.fromkeys(figures, why)), Work(unknown={"work": why}))
    working = None if phases.work_by is None else [(phase.start, phase.end) for phase in phases.of("work")]
    stated = None if machine is None else machine.work.area_ha
    width = None if machine is None else machine.vehicle.working_width_m
    area = find_field_area(series, width, working, stated)
    out = phases.of("rest", "drive", "work")
    energies = [phase.energy_wh for phase in out if phase.energy_wh is not None]
    energy = None
    if power.power is not None and energies:
        net = sum(energies)
        energy = Range.around(net, Z90 * energy_uncertainty * abs(net))
    wall = None
    if machine is not None:
        through = (charger_share or CHARGER_SHARE).times(CHARGE_ENERGY_SHARE[machine.pack.chemistry])
        wall = Range.exactly(1.0).over(through)
    work = find_work(
        energy_wh=energy,
        session_h=sum(phase.known_s for phase in out) / 3600,
        working_h=sum(phase.known_s for phase in phases.of("work")) / 3600 or None,
        area_ha=area.area_ha,
        distance_km=area.distance_km,
        working_km=area.working_km,
        working_width_m=width,
        charge_wh=charge_wh,
        wall_wh_per_wh=wall,
        prices=None if machine is None else machine.work,
    )
    one = Range.exactly(1.0)
    return SessionWork(
        area,
        work,
        energy,
        charge_wh,
        one.over(work.wh_per_km) if work.wh_per_km is not None else None,
        one.over(work.wh_per_ha) if work.wh_per_ha is not None else None,
    )
