"""Every figure of one session, each estimator run once and in the order in which they need each other."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from telemetry.analysis.capacity import UsableCapacity, best_capacity, find_capacity
from telemetry.analysis.cell_findings import CellFindings, judge_cells
from telemetry.analysis.charge_voltage import fast_ohm, measured_ohm
from telemetry.analysis.charging import ChargeFacts, Charging, find_charging
from telemetry.analysis.current_offset import CurrentOffset, find_offset
from telemetry.analysis.energy_left import FULL_PCT, Load, capacity_range, find_energy_left
from telemetry.analysis.evidence import Finding, find_evidence, fits_cells
from telemetry.analysis.instruments import InstrumentErrors, corrected, session_errors
from telemetry.analysis.open_circuit import stated_table
from telemetry.analysis.outlook import Outlook, find_outlook
from telemetry.analysis.path_loss import PathLoss, find_path_loss
from telemetry.analysis.phase_implement import ImplementCost, implement_cost
from telemetry.analysis.phases import PhaseKind, Phases, find_phases
from telemetry.analysis.ranges import Range
from telemetry.analysis.resistance import LEAST_CURRENT_A, Resistance, find_resistance, least_current
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower, find_power
from telemetry.analysis.state_of_charge import ChargeEstimate, estimate_charge
from telemetry.analysis.storage import Storage, find_storage
from telemetry.analysis.taken_over import sd_left
from telemetry.analysis.totals import Totals, find_totals
from telemetry.analysis.work_session import SessionWork, session_work
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS

NO_MACHINE = "no machine file says what pack it is; give one with --machine FILE"


@dataclass(frozen=True)
class SessionFigures:
    """What the estimators made of a session.

    Attributes:
        series: what they were given, set right by ``errors``.
        machine: None where nobody states one, and then so are the figures of
            the pack (``offset``, ``charge``, ``capacity``, ``resistance``, ``cells``).
        power: current and power, a known offset taken off.
        path: what is lost between pack and controller.
        evidence: what is wrong with the evidence; ``sign_is_wrong``: charging current was counted positive, so no
            figure with a direction is given.
    """

    series: SessionSeries
    machine: Machine | None
    errors: InstrumentErrors
    evidence: tuple[Finding, ...]
    sign_is_wrong: bool
    power: SessionPower
    path: PathLoss
    totals: Totals
    phases: Phases
    implement: ImplementCost
    work: SessionWork
    outlook: Outlook
    storage: Storage
    charging: Charging | None
    offset: CurrentOffset | None = None
    charge: ChargeEstimate | None = None
    capacity: UsableCapacity | None = None
    resistance: Resistance | None = None
    cells: CellFindings | None = None


def figures_of(series: SessionSeries, machine: Machine | None, wall_wh: float | None = None) -> SessionFigures:
    """Return every figure of ``series``.

    Args:
        series: the session.
        machine: what the owner states of pack and machine.
        wall_wh: energy at the wall of the session's charge by the owner's own meter, Wh.
    """
    pack = None if machine is None else machine.pack
    errors = session_errors(machine, series)
    fixed = corrected(series, errors)
    shown = None if fixed is series else find_power(series)
    series = fixed
    plain = find_power(series)
    offset = None if pack is None else _offset(series, pack, errors)
    known_offset = offset.value_a if offset is not None and offset.known else None
    power = plain if not known_offset else plain.less(known_offset)
    capacity_ah = None if pack is None else pack.capacity_ah
    phases = find_phases(series, power, capacity_ah, _states_implement(machine))
    totals = find_totals(
        series,
        known_offset,
        _offset_left(offset),
        errors,
        power=plain,
        charges=phases.of("charge"),
        shown=shown,
    )
    charge = capacity = resistance = cells = None
    if pack is not None and offset is not None:
        table = stated_table(pack.open_circuit)
        charge = estimate_charge(series, pack, offset, table)
        capacity = find_capacity(series, pack, offset, charge, errors.current.gain_sd)
        resistance, cells = _cells(series, pack, phases, errors, best_capacity(pack, capacity))
        resistance = _at_charge(resistance, charge, series.origin)
    end_pct = _end_of(charge)
    usable = None if pack is None else capacity_range(pack, capacity)
    charging = find_charging(series, power, phases.of("charge"), _facts(machine, capacity, end_pct, wall_wh))
    share = None if charging is None else charging.charger_efficiency
    left = whole = None
    if pack is not None and usable is not None and power.current is not None:
        ohm, load, volts = (
            fast_ohm(pack, measured_ohm(resistance)),
            Load.of(power.current),
            series.get("pack_voltage"),
        )
        if volts is None or fits_cells(volts, pack):
            whole = find_energy_left(FULL_PCT, pack, usable, load, ohm)
        if charge is not None and end_pct is not None:
            left = find_energy_left(end_pct, pack, usable, load, ohm, float(charge.pct.max()))
    work = session_work(
        series,
        power,
        phases,
        machine,
        energy_uncertainty=_energy_uncertainty(totals),
        charge_wh=whole,
        charger_share=share,
    )
    evidence = tuple(find_evidence(series, machine, power))
    least_a = LEAST_CURRENT_A if pack is None else least_current(pack)
    return SessionFigures(
        series,
        machine,
        errors,
        evidence,
        any(finding.name == "sign-of-current" for finding in evidence),
        power,
        find_path_loss(series, power.current, errors, least_a),
        totals,
        phases,
        implement_cost(series, power, _spans(phases, "work"), _spans(phases, "drive", "rest")),
        work,
        find_outlook(power, phases, left, work.km_per_wh, work.ha_per_wh),
        _storage(series, power, phases, machine, offset, end_pct),
        charging,
        offset,
        charge,
        capacity,
        resistance,
        cells,
    )


def find_cells(series: SessionSeries, machine: Machine | None) -> CellFindings | None:
    """Return the cell findings of a session, as :func:`figures_of` does.

    None without a machine file, and where the current has the wrong sign.
    """
    if machine is None or any(each.name == "sign-of-current" for each in find_evidence(series, machine)):
        return None
    errors = session_errors(machine, series)
    series = corrected(series, errors)
    known = _offset(series, machine.pack, errors)
    power = find_power(series, known.value_a if known.known else 0.0)
    phases = find_phases(series, power, machine.pack.capacity_ah, _states_implement(machine))
    return _cells(series, machine.pack, phases, errors, best_capacity(machine.pack, None))[1]


def _offset(series: SessionSeries, pack: Pack, errors: InstrumentErrors) -> CurrentOffset:
    """Return the current sensor's offset, with what hand-overs from one sensor to another leave of it."""
    found, usual = find_offset(series, pack, errors.current.offset_sd), errors.current.offset_sd
    left = sd_left(series.taken_over, "pack_current", usual, series.duration_s)
    return replace(found, uncertainty_a=math.hypot(found.uncertainty_a, left)) if left else found


def _cells(
    series: SessionSeries, pack: Pack, phases: Phases, errors: InstrumentErrors, capacity: tuple[float, float]
) -> tuple[Resistance, CellFindings]:
    resistance = find_resistance(series, pack, math.hypot(errors.current.gain_sd, errors.voltage.gain_sd))
    cells = judge_cells(series, pack, resistance, phases.of("rest"), capacity, errors.cell_sd_v)
    return resistance, cells


def _at_charge(resistance: Resistance, charge: ChargeEstimate, origin: int) -> Resistance:
    """Return ``resistance`` with the state of charge at its steps as estimated, where it is."""
    if resistance.at_s is None or not len(charge.t):
        return resistance
    nearest = int(abs(charge.t - (origin + resistance.at_s * MICROSECONDS)).argmin())
    return replace(resistance, soc_pct=float(charge.pct[nearest]))


def _states_implement(machine: Machine | None) -> bool | None:
    """Return True where the machine file states an implement, so that load tells work; None where it is silent."""
    if machine is None:
        return None
    stated = machine.vehicle.working_width_m is not None or machine.vehicle.implement_start_a is not None
    return True if stated else None


def _spans(phases: Phases, *kinds: PhaseKind) -> list[tuple[int, int]]:
    return [(phase.start, phase.end) for phase in phases.of(*kinds)]


def _end_of(charge: ChargeEstimate | None) -> Range | None:
    """Return the state of charge at the end with its 90 % bounds, %."""
    if charge is None or charge.end_pct is None or not len(charge.t):
        return None
    return Range(float(charge.low90[-1]), charge.end_pct, float(charge.high90[-1]))


def _offset_left(offset: CurrentOffset | None) -> float | None:
    """Return one standard deviation of what is left of the offset, A: one that is only bounded is not taken off."""
    return None if offset is None else max(offset.uncertainty_a, 0.0 if offset.known else offset.left_a)


def _energy_uncertainty(totals: Totals) -> float:
    """Return one standard deviation of the energy out, as a share of it."""
    spread = totals.uncertainty.get("energy_out_wh")
    if spread is None or not totals.energy_out_wh:
        return 0.01
    return spread / totals.energy_out_wh


def _facts(
    machine: Machine | None, capacity: UsableCapacity | None, end_pct: Range | None, wall_wh: float | None
) -> ChargeFacts:
    if machine is None:
        return ChargeFacts(wall_wh=wall_wh)
    pack: Pack = machine.pack
    measured = None if capacity is None else capacity.usable_ah
    return ChargeFacts(
        chemistry=pack.cell,
        cells_in_series=pack.cells_in_series,
        capacity_ah=measured or pack.capacity_ah,
        end_current_a=machine.charger.end_current_a,
        balance_current_ma=pack.balance_current_ma,
        high_cutoff_v=pack.high_cutoff_v,
        end_pct=end_pct,
        wall_wh=wall_wh,
    )


def _storage(
    series: SessionSeries,
    power: SessionPower,
    phases: Phases,
    machine: Machine | None,
    offset: CurrentOffset | None,
    end_pct: Range | None,
) -> Storage:
    return find_storage(
        series,
        power,
        phases.of("rest"),
        offset_uncertainty_a=offset.uncertainty_a if offset is not None and offset.known else None,
        chemistry=None if machine is None else machine.pack.cell,
        capacity_ah=None if machine is None else machine.pack.capacity_ah,
        end_pct=end_pct,
        stated_standby_a=None if machine is None else machine.vehicle.standby_current_a,
    )
