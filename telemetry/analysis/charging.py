"""A charge: its constant-current and constant-voltage parts, how it ended, what it cost, what is still missing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from telemetry.analysis.charging_cells import CellsAtTop, cells_at_top
from telemetry.analysis.charging_tail import Tail, find_tail, tail_charge_ah, tail_hours
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.integrals import SignedIntegral
from telemetry.analysis.phases import Phase
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import MICROSECONDS
from telemetry.model.figures import figure_field
from telemetry.model.signals import ON

Ending = Literal["tapered", "cell-stopped", "ended-early", "running"]

# Common practice, from memory: a charge counts as complete below a twentieth of the capacity an hour.
USUAL_END_SHARE = 0.05
TAIL_HOURS = Range(0.05, 0.25, 0.6)
"""Time constant of the tail where none was seen, h; common practice, from memory: short for iron phosphate."""
COULOMBIC_SHARE: Mapping[str, float] = {"lead-flooded": 0.88, "lead-agm": 0.95}
"""Charge that comes out again of what goes in; lithium over 0.99 (common practice), so 1 is taken."""
_STOP_S = 30.0
_FULL_SPREAD_SHARE = 0.01


@dataclass(frozen=True)
class Charging:
    """One charge. None where unknown, with the reason in ``unknown``.

    Attributes:
        start_s, end_s: when current flowed in, seconds as shown to the user.
        energy_in_wh, charge_in_ah: into the pack.
        constant_current_a: typical current of the first part, A, >= 0.
        constant_current_s, constant_voltage_s: length of the two parts; the second 0 where there was none.
        tail_hours: time constant of the falling current, h.
        end_current_a: current just before the end, A, >= 0.
        ending: ``tapered`` (current had fallen to the end current), ``cell-stopped`` (one cell reached its limit and
            the pack stopped the charge), ``ended-early`` (it stopped under full current without either), ``running``.
        stopped_by_cell: number of that cell.
        lowest_cell: number of the cell with the least charge at the end, its resistance taken out.
        false_full: the charger's lamp went green and the pack is not full: a cell stopped the charge while others
            lacked more than a hundredth of the capacity.
        missing_ah: what the pack could still have taken, Ah; where a cell stopped the charge, what the lowest lacks.
        imbalance_ah: what the lowest cell lacks against the highest at the end, Ah.
        balancing_h: hours near full that take it out at the stated balance current.
        time_to_full_h: from the end of the record on, h; 0 where it is full; where a cell stopped the charge, the
            time to balance.
        wall_wh: energy at the wall, Wh.
        charger_efficiency: into the pack over at the wall, 0 to 1.
        sentence: what happened at the top, for the owner.
        unknown: why a figure is None.
    """

    start_s: float | None = figure_field("start of the charge")
    end_s: float | None = figure_field("end of the charge")
    energy_in_wh: float | None = figure_field("energy charged")
    charge_in_ah: float | None = figure_field("charge taken")
    constant_current_a: float | None = figure_field("charging current")
    constant_current_s: float | None = figure_field("time at constant current")
    constant_voltage_s: float | None = figure_field("time at constant voltage")
    tail_hours: float | None = figure_field("time constant of the falling current")
    end_current_a: float | None = figure_field("current at the end of the charge")
    ending: Ending | None = figure_field("how the charge ended")
    stopped_by_cell: int | None = figure_field("cell that stopped the charge")
    lowest_cell: int | None = figure_field("cell with the least charge")
    false_full: bool | None = figure_field("whether the pack was full")
    missing_ah: Range | None = figure_field("charge still missing")
    imbalance_ah: Range | None = figure_field("cell imbalance at the end of the charge")
    balancing_h: Range | None = figure_field("balancing time")
    time_to_full_h: Range | None = figure_field("time to full")
    wall_wh: float | None = figure_field("energy at the wall")
    charger_efficiency: Range | None = figure_field("charger efficiency")
    sentence: str = figure_field("how the charge went", default="")
    unknown: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class ChargeFacts:
    """What is stated or estimated about pack and charger; None where nobody says.

    Attributes:
        chemistry: the cells' row.
        cells_in_series: for the pack's full voltage.
        capacity_ah: usable, else rated, Ah.
        end_current_a: current at which the charger ends, A.
        balance_current_ma: the pack's balance current, mA.
        high_cutoff_v: pack voltage at which its electronics stop the charge, V.
        end_pct: estimated state of charge at the end of the record, %.
        wall_wh: energy at the wall by the owner's own meter, Wh.
    """

    chemistry: Chemistry | None = None
    cells_in_series: int | None = None
    capacity_ah: float | None = None
    end_current_a: float | None = None
    balance_current_ma: float | None = None
    high_cutoff_v: float | None = None
    end_pct: Range | None = None
    wall_wh: float | None = None


def constant_current_hours(charge_ah: float, current_a: float, charge_share: float = 1.0) -> float:
    """Return the hours that ``charge_ah`` takes at ``current_a``: t = Ah / (I x share stored)."""
    return charge_ah / (current_a * charge_share)


def time_to_full_h(
    charge_ah: Range, current_a: float, end_current_a: float, tail: Range = TAIL_HOURS, charge_share: float = 1.0
) -> Range:
    """Return how long it takes until full: constant current, then the tail, h.

    Args:
        charge_ah: what the pack still takes, Ah.
        current_a: charging current now, A, > 0.
        end_current_a: current that counts as full, A, > 0.
        tail: time constant of the tail, h; the tail's charge is taken off the first part, and where the pack is
            already in the tail only what is left of it counts.
        charge_share: stored of what flows in.
    """
    found = []
    for ah, tau in zip(charge_ah, tail, strict=True):
        ah = max(0.0, ah)
        in_tail = tail_charge_ah(current_a, end_current_a, tau) if current_a > end_current_a else 0.0
        if ah >= in_tail:
            first = constant_current_hours(ah - in_tail, current_a, charge_share)
            found.append(first + (tail_hours(current_a, end_current_a, tau) if in_tail else 0.0))
        else:
            found.append(tail_hours(end_current_a + ah / tau, end_current_a, tau) if ah else 0.0)
    return Range(*sorted(found))


def find_charging(
    series: SessionSeries, power: SessionPower, charges: list[Phase], facts: ChargeFacts | None = None
) -> Charging | None:
    """Return the figures of the largest charge among ``charges``; None where there is none.

    Args:
        series: the session.
        power: its power.
        charges: phases of kind ``charge``.
        facts: what is stated.
    """
    if not charges or power.current is None:
        return None
    facts = facts or ChargeFacts()
    phase = max(charges, key=lambda each: -each.charge_ah)
    tail = find_tail(series, power, phase.start, phase.end)
    unknown: dict[str, str] = {}
    top = cells_at_top(series, power, phase.start, tail.end, facts.chemistry)
    ending = _ending(series, tail, top, facts)
    figures: dict[str, object] = {
        "start_s": phase.start_s,
        "end_s": (tail.end - series.origin) / MICROSECONDS,
        "energy_in_wh": phase.returned_wh,
        "charge_in_ah": power.current.between(phase.start, phase.end)[1],
        "constant_current_a": tail.plateau_a,
        "constant_current_s": (tail.start - phase.start) / MICROSECONDS,
        "constant_voltage_s": (tail.end - tail.start) / MICROSECONDS,
        "tail_hours": tail.tau_h,
        "end_current_a": tail.end_a,
        "ending": ending,
    }
    if phase.returned_wh is None:
        unknown["energy_in_wh"] = "neither pack_voltage nor controller_voltage was recorded"
    if tail.tau_h is None:
        unknown["tail_hours"] = "the current fell at constant voltage for too short a time"
    figures |= _imbalance(top, ending, facts, unknown)
    figures |= _left(ending, tail, figures, facts, unknown)
    figures |= _wall(series, phase, facts, unknown)
    return Charging(**figures, sentence=_sentence(ending, figures), unknown=unknown)  # type: ignore[arg-type]


def _end_current(facts: ChargeFacts, tail: Tail) -> float:
    """Return the current at which a charge counts as complete, A."""
    if facts.end_current_a is not None:
        return facts.end_current_a
    if facts.capacity_ah is not None:
        return USUAL_END_SHARE * facts.capacity_ah
    return 0.15 * tail.plateau_a


def _ending(series: SessionSeries, tail: Tail, top: CellsAtTop | None, facts: ChargeFacts) -> Ending:
    """Return how the charge ended, from the current just before, the cells and the BMS."""
    if tail.end >= series.end - _STOP_S * MICROSECONDS and tail.end_a > 0.2 * tail.plateau_a:
        return "running"
    allowed = series.get("charge_allowed")
    switched_off = False
    if allowed is not None:
        near = np.abs(allowed.t - tail.end) <= 2 * _STOP_S * MICROSECONDS
        switched_off = bool((allowed.values[near] < ON).any())
    if tail.end_a <= 1.3 * _end_current(facts, tail):
        return "cell-stopped" if switched_off and top is not None and top.at_limit else "tapered"
    if switched_off or (top is not None and top.at_limit):
        return "cell-stopped"
    return "ended-early"


def _imbalance(
    top: CellsAtTop | None, ending: Ending, facts: ChargeFacts, unknown: dict[str, str]
) -> dict[str, object]:
    if top is None:
        unknown |= dict.fromkeys(("imbalance_ah", "balancing_h"), "no cell voltages were recorded")
        return {}
    found: dict[str, object] = {"stopped_by_cell": top.highest if ending == "cell-stopped" else None}
    if top.imbalance_ah is not None:
        found["lowest_cell"] = top.emptiest
    if top.imbalance_ah is None:
        unknown |= dict.fromkeys(("imbalance_ah", "balancing_h"), top.why_unknown)
        return found
    found["imbalance_ah"] = top.imbalance_ah
    if facts.balance_current_ma is None:
        unknown["balancing_h"] = "the machine file does not state the balance current ([pack] balance_current_ma)"
    else:
        found["balancing_h"] = top.imbalance_ah.over(facts.balance_current_ma / 1000.0)
    return found


def _left(
    ending: Ending,
    tail: Tail,
    figures: Mapping[str, object],
    facts: ChargeFacts,
    unknown: dict[str, str],
) -> dict[str, object]:
    """Return what the pack could still have taken, whether it only seemed full, and the time to full."""
    missing = _missing_ah(ending, tail, figures, facts)
    found: dict[str, object] = {"missing_ah": missing}
    if missing is None:
        why = "the state of charge at the end or the capacity is not known"
        unknown |= dict.fromkeys(("missing_ah", "time_to_full_h"), why)
    elif ending == "cell-stopped":
        balancing = figures.get("balancing_h")
        found["time_to_full_h"] = balancing
        if balancing is None:
            unknown["time_to_full_h"] = "a cell stops the charge: the pack fills only as fast as its cells balance"
    else:
        end_current = min(_end_current(facts, tail), 0.9 * tail.plateau_a)
        tau = TAIL_HOURS if tail.tau_h is None else Range(0.8 * tail.tau_h, tail.tau_h, 1.25 * tail.tau_h)
        current = tail.end_a if ending == "running" and tail.end > tail.start else tail.plateau_a
        share = COULOMBIC_SHARE.get(facts.chemistry.name, 1.0) if facts.chemistry is not None else 1.0
        found["time_to_full_h"] = time_to_full_h(missing, current, end_current, tau, share)
    if ending != "cell-stopped":
        found["false_full"] = False if ending == "tapered" else None
        if ending != "tapered":
            unknown["false_full"] = "the charge stopped before its end"
    elif facts.capacity_ah is None or missing is None:
        unknown["false_full"] = "the capacity, or how far the other cells were behind, is not known"
    elif missing.low <= _FULL_SPREAD_SHARE * facts.capacity_ah < missing.high:
        unknown["false_full"] = "the cells were too close at the end to tell whether the others were full"
    else:
        found["false_full"] = missing.low > _FULL_SPREAD_SHARE * facts.capacity_ah
    return found


def _missing_ah(ending: Ending, tail: Tail, figures: Mapping[str, object], facts: ChargeFacts) -> Range | None:
    end_current = _end_current(facts, tail)
    if ending == "tapered":
        return Range(0.0, 0.0, tail_charge_ah(end_current, 0.5 * end_current, tail.tau_h or TAIL_HOURS.mid))
    imbalance = figures.get("imbalance_ah")
    if ending == "cell-stopped" and isinstance(imbalance, Range):
        return imbalance
    if tail.tau_h is not None and tail.end > tail.start and tail.end_a > end_current:
        left = tail_charge_ah(tail.end_a, end_current, tail.tau_h)
        return Range(0.7 * left, left, 1.4 * left)
    if facts.end_pct is not None and facts.capacity_ah is not None:
        low, mid, high = facts.end_pct
        return Range(*(max(0.0, 100.0 - pct) / 100.0 * facts.capacity_ah for pct in (high, mid, low)))
    return None


def _wall(series: SessionSeries, phase: Phase, facts: ChargeFacts, unknown: dict[str, str]) -> dict[str, object]:
    wall = facts.wall_wh
    meter = series.get("charger_input_power")
    if wall is None and meter is not None:
        out, _ = SignedIntegral().take(meter.t, meter.values, GapRule().take(meter.t))
        wall = float(np.diff(np.interp([phase.start, phase.end], meter.t, out))[0])
    if wall is None or wall <= 0.0 or not phase.returned_wh:
        why = "no charger_input_power was recorded and no meter reading given (--wall-kwh)"
        unknown |= dict.fromkeys(("wall_wh", "charger_efficiency"), why if wall is None else "no energy was measured")
        return {}
    share = phase.returned_wh / wall
    if share > 1.0:
        unknown["charger_efficiency"] = (
            f"more energy went into the pack ({phase.returned_wh:.0f} Wh) than came from the wall ({wall:.0f} Wh): "
            "one of the two meters is wrong"
        )
        return {"wall_wh": wall}
    # two meters of 1 % each (common practice), and none passes on more than it takes
    return {"wall_wh": wall, "charger_efficiency": Range(share * 0.977, share, min(1.0, share * 1.023))}


def _sentence(ending: Ending, figures: Mapping[str, object]) -> str:
    current = figures["end_current_a"]
    if ending == "running":
        return "The recording ends while the pack was still charging."
    if ending == "tapered":
        return f"The charge ended at {current:.1f} A, after the current had tapered off: the pack is full."
    if ending == "ended-early":
        return f"The charge ended at {current:.1f} A, before the current had tapered off: the pack is not full."
    cell = figures.get("stopped_by_cell")
    stopped = f"Cell {cell} reached its limit and stopped" if cell is not None else "The BMS stopped"
    if figures.get("false_full"):
        missing = figures["missing_ah"]
        assert isinstance(missing, Range)
        lowest = "the pack" if figures.get("lowest_cell") is None else f"cell {figures['lowest_cell']}"
        return (
            f"{stopped} the charge at {current:.1f} A. The charger shows full, but {lowest} still lacks "
            f"{_amount(missing)} Ah: the pack is not full."
        )
    return f"{stopped} the charge at {current:.1f} A."


def _amount(ah: Range) -> str:
    return f"about {ah.mid:.1f}" if ah.high <= 1.5 * ah.low else f"{ah.low:.1f} to {ah.high:.1f}"
