"""What a machine file lets one say of currents, resistances and voltages, and how each is known.

Where an owner knows only the rating of the controller, that is the most it can draw: a bound, marked as one. What
stays within its limit at the bound is proven; what does not is a reason to measure.
"""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.conductors import BeyondTable, stated_conductor
from telemetry.machine.fit.circuit import current_at_power, mean_open_v
from telemetry.machine.fit.findings import Verdict, amount
from telemetry.machine.pack_keys import Pack, Wiring
from telemetry.machine.sections import Machine

BOUND_SHARE = 1 / 3
"""Steady work rarely takes less than a third of what the controller is rated for (common practice, from memory): what
cannot carry even that is a stop, measured or not."""
OHMIC_SHARE = 0.5
"""Least part of the resistance after a second that acts at once (common practice, from memory)."""
UNSTATED_CONDUCTOR_C = 75


@dataclass(frozen=True, slots=True)
class Current:
    """A current drawn from the pack, A.

    Attributes:
        amperes: how much.
        words: what it is, for a sentence.
        is_bound: it is the most that can be, not what is known to flow.

    """

    amperes: float
    words: str
    is_bound: bool = False

    def against(self, limit_a: float) -> Verdict:
        """Return the verdict where it must not exceed ``limit_a``; a bound beyond it is first a caution."""
        if self.amperes <= limit_a:
            return "ok"
        return "caution" if self.is_bound and BOUND_SHARE * self.amperes <= limit_a else "stop"

    @property
    def remark(self) -> str:
        """What to do about a bound, a sentence; empty for a known current."""
        if not self.is_bound:
            return ""
        return (
            " That is the most the controller can draw; measure the real current and state [machine] "
            "continuous_current_a."
        )


@dataclass(frozen=True, slots=True)
class Peak:
    """The highest draw, at a nearly empty pack.

    Attributes:
        current: what flows; None where the pack cannot give the power at all.
        open_v: the pack's voltage without load, as assumed.
        pack_v: at its terminals under that current; None as above.
        resistance: of the pack.

    """

    current: Current | None
    open_v: float
    pack_v: float | None
    resistance: Resistance

    @property
    def highest(self) -> Current:
        """What flows at most: the current, or beyond the pack's power that of its highest power, E / 2R."""
        if self.current is not None:
            return self.current
        amperes = self.open_v / (2 * self.resistance.ohm)
        return Current(amperes, f"{amount(amperes, 'A')} at the pack's maximum power")


@dataclass(frozen=True, slots=True)
class Resistance:
    """Resistance of the whole pack, ohm, with the words and the source that say how it is known."""

    ohm: float
    words: str
    source: str


def continuous_current(machine: Machine) -> Current | None:
    """Return the battery current at steady work: stated, else bounded by the controller's rating, else None."""
    vehicle = machine.vehicle
    if vehicle.continuous_current_a is not None:
        return Current(vehicle.continuous_current_a, f"{vehicle.continuous_current_a:g} A continuous")
    return controller_bound(machine)


def controller_bound(machine: Machine) -> Current | None:
    """Return the controller's rating as a bound, or None where it is not stated."""
    rating = machine.vehicle.controller_current_a
    return None if rating is None else Current(rating, f"up to the controller's rated {rating:g} A", True)


def peak(machine: Machine, open_v: float, resistance: Resistance | None = None) -> Peak | None:
    """Return the highest draw from a pack that rests at ``open_v``; None where the file says nothing of it.

    By peak power: the current at the voltage that sags under it. Else by the controller's rating, as a bound.
    ``resistance`` is that of the pack, where not the one stated or estimated.
    """
    resistance = resistance or pack_resistance(machine)
    power = machine.vehicle.peak_power_w
    if power is None:
        bound = controller_bound(machine)
        return None if bound is None else Peak(bound, open_v, open_v - bound.amperes * resistance.ohm, resistance)
    amperes = current_at_power(open_v, resistance.ohm, power)
    if amperes is None:
        return Peak(None, open_v, None, resistance)
    pack_v = open_v - amperes * resistance.ohm
    words = f"{amperes:.0f} A for {amount(power, 'W')} at {pack_v:.1f} V"
    return Peak(Current(amperes, words), open_v, pack_v, resistance)


def nearly_empty_v(machine: Machine) -> float:
    """Return the voltage of the pack at rest with 5 to 10 % left: the lowest at which it still gives full power."""
    return machine.pack.cells_in_series * machine.pack.cell.knee_v


def pack_resistance(machine: Machine) -> Resistance:
    """Return the pack's resistance for sag: stated, else estimated on the high side by chemistry and capacity."""
    return _resistance(machine, CELL_PRACTICE[machine.pack.chemistry].high_resistance, "high")


def lowest_resistance(machine: Machine) -> Resistance:
    """Return the pack's ohmic resistance, for a short circuit or an inrush: what limits the first milliseconds.

    As stated; else half of the stated resistance, which is taken after a second or more and contains polarisation
    (the half is common practice, from memory); else estimated on the low side.
    """
    pack = machine.pack
    if pack.ohmic_resistance_mohm is not None:
        ohmic = pack.ohmic_resistance_mohm
        return Resistance(ohmic / 1000, f"{ohmic:g} mΩ ohmic as stated", "[pack] ohmic_resistance_mohm")
    if pack.internal_resistance_mohm is not None:
        stated = pack.internal_resistance_mohm
        words = f"{OHMIC_SHARE * stated:.3g} mΩ, half of the {stated:g} mΩ stated, which include polarisation"
        source = "ohmic part taken as half of [pack] internal_resistance_mohm, common practice, from memory"
        return Resistance(OHMIC_SHARE * stated / 1000, words, source)
    return _resistance(machine, CELL_PRACTICE[machine.pack.chemistry].low_resistance, "low")


def _resistance(machine: Machine, cell_mohm_ah: float, side: str) -> Resistance:
    pack = machine.pack
    if pack.internal_resistance_mohm is not None:
        stated = pack.internal_resistance_mohm
        return Resistance(stated / 1000, f"{stated:g} mΩ as stated", "[pack] internal_resistance_mohm")
    mohm = estimated_mohm(cell_mohm_ah, pack.cells_in_series, pack.capacity_ah)
    words = f"{mohm:.3g} mΩ, estimated on the {side} side from chemistry and capacity"
    return Resistance(
        mohm / 1000, words, "resistance of cells by chemistry and capacity, common practice, from memory"
    )


def estimated_mohm(cell_mohm_ah: float, cells: int, capacity_ah: float) -> float:
    """Return the resistance of a battery by that of one cell times its capacity (see ``CellPractice``), milliohm."""
    return cells * cell_mohm_ah / capacity_ah


def mean_pack_v(pack: Pack) -> float:
    """Return the pack's mean open-circuit voltage over its daily depth of use, V: owner's curve, else the table."""
    practice = CELL_PRACTICE[pack.chemistry]
    each = practice.mean_open_v
    if pack.open_circuit is not None:
        each = mean_open_v(pack.open_circuit, practice.usable_share)
    return pack.cells_in_series * each


def wire_loop_ohm(machine: Machine, conductor_c: float) -> float | None:
    """Return the resistance of the cable to the controller and back, ohm; None where size or length is not stated."""
    return loop_ohm(machine.wiring, conductor_c)


def loop_ohm(wiring: Wiring, conductor_c: float) -> float | None:
    """Return the resistance of a cable there and back, ohm; None where size or length is not stated."""
    conductor, length = stated_conductor(wiring), wiring.one_way_length_m
    if conductor is None or length is None:
        return None
    try:
        return conductor.loop_ohm(length, conductor_c)
    except BeyondTable:
        return None


def hot_conductor_c(machine: Machine) -> float:
    """Return the temperature that a conductor may reach in steady work: its insulation's rating, else 75 degC."""
    return machine.wiring.insulation_c or UNSTATED_CONDUCTOR_C
