"""First power, the pack by itself: polarity, open-circuit voltage against the cell count, first charge."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.first_power import Expectation, Judgement, Readings, pack_voltage
from telemetry.machine.fit.circuit import volts_at
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine

REST_V: Final[Mapping[str, tuple[float, float]]] = {
    "lfp": (3.20, 3.40),
    "nmc": (3.30, 4.20),
    "nca": (3.20, 4.20),
    "lmo": (3.55, 4.20),
    "lto": (2.10, 2.70),
    "sodium-ion": (2.55, 3.95),
    "lead-flooded": (1.94, 2.16),
    "lead-agm": (1.94, 2.18),
}
"""Volts of a rested cell from about a tenth full to full. Common practice, from memory; those of iron phosphate and
of nickel manganese cobalt agree with the published curves that the simulated packs use."""
_SLOWLY: Final = (
    "measure each cell, and charge none that is far below the others. Then charge the pack at a low current, above"
    " 0 °C and watched, with a charger made for it."
)
SILENT_V: Final = 1.0
"""Below this nothing is at the contacts but what the meter picks up."""


def cell_rest_v(pack: Pack) -> tuple[float, float]:
    """Return the volts of one rested cell from about a tenth full to full: by the owner's figures, else ``REST_V``.

    The owner's curve counts first; else both ends move with the stated ``cell_minimum_v`` and ``cell_charge_v``.
    """
    if pack.open_circuit is not None:
        return volts_at(pack.open_circuit, 10.0), volts_at(pack.open_circuit, 100.0)
    row, (low, high) = CHEMISTRIES[pack.chemistry], REST_V[pack.chemistry]
    high = min(high + max(0.0, pack.cell.charge_v - row.charge_v), pack.cell.charge_v)
    low = max(low + min(0.0, pack.cell.minimum_v - row.minimum_v), pack.cell.minimum_v)
    return min(low, high), high


def rest_range(machine: Machine) -> Expectation:
    """Return the voltages that the stated cells may rest at."""
    pack, (low, high) = machine.pack, cell_rest_v(machine.pack)
    count = pack.cells_in_series
    why = f"{count} {pack.cell.label} cells rest at {low:.2f} to {high:.2f} V each"
    return Expectation(round(count * low, 1), round(count * high, 1), why)


def expect_rest(machine: Machine, _: Readings) -> Expectation:
    """Return the voltages that the stated cells may rest at, whatever was read before."""
    return rest_range(machine)


def expect_positive(machine: Machine, _: Readings) -> Expectation:
    """Return the voltages of the pack, the positive contact named."""
    rest = rest_range(machine)
    return Expectation(rest.low, rest.high, f"positive, about the pack's voltage: {rest.why}")


def fitting_counts(rest: tuple[float, float], volts: float) -> tuple[int, ...]:
    """Return the numbers of cells in series that rest at ``volts``, ascending; none where no number fits."""
    low, high = rest
    return tuple(range(max(1, math.ceil(volts / high - 1e-9)), math.floor(volts / low + 1e-9) + 1))


def reversed_leads(volts: float, where: str, harm: str) -> Judgement | None:
    """Return the judgement of a negative reading at a plug or lug, None where it is none."""
    if volts > -SILENT_V:
        return None
    return Judgement(
        "stop",
        f"Leads reversed: {volts:.1f} V. If the meter's leads are right, the wires {where} are swapped. {harm}",
        "Check first that the red lead is in the meter's V socket and on the contact named. If so, disconnect the"
        f" pack, swap the wires {where} and measure again.",
    )


def judge_polarity(machine: Machine, _: Readings, volts: float) -> Judgement:
    """Judge the reading with the red lead on the wire that is to be positive."""
    crossed = reversed_leads(volts, "at the pack's plug", "Connected like that, they destroy the controller at once.")
    if crossed is not None:
        return crossed
    if volts < 0.5 * machine.pack.cells_in_series * machine.pack.cell.minimum_v:
        return Judgement(
            "stop",
            f"{volts:.1f} V is far too low: the BMS is off or asleep, or a fuse or lug is an open circuit.",
            "Wake the BMS as its sheet says, check fuse and plug, and measure again.",
        )
    return Judgement("ok", "Polarity is correct.")


def judge_rest(machine: Machine, _: Readings, volts: float) -> Judgement:
    """Judge the voltage of the rested pack against the stated number of cells."""
    pack, expected = machine.pack, rest_range(machine)
    each = volts / pack.cells_in_series
    if expected.low - 0.05 <= volts <= expected.high + 0.05:
        return Judgement("ok", f"{each:.3f} V a cell: right for {pack.cells_in_series} {pack.cell.label} cells.")
    is_low = pack.cell.minimum_v <= each < cell_rest_v(pack)[0]
    recharge = f" If there are {pack.cells_in_series}, {_SLOWLY}" if is_low else ""
    if fitting := fitting_counts(cell_rest_v(pack), volts):
        counts = " or ".join(str(count) for count in fitting)
        return Judgement(
            "stop",
            f"{volts:.1f} V is {counts} {pack.cell.label} cells, not {pack.cells_in_series}: those would be at"
            f" {each:.2f} V each.{' Or the pack is nearly empty.' if is_low else ''}",
            f"Count the cells. If there are {counts}, correct cells_in_series in the machine file, run shakedown fit,"
            f" and check charger and controller again.{recharge}",
        )
    if is_low:
        return Judgement("caution", f"{each:.2f} V a cell: the pack is nearly empty.", f"Before you go on, {_SLOWLY}")
    return Judgement(
        "stop",
        f"{volts:.1f} V is {each:.2f} V a cell; no {pack.cell.label} cell rests there.",
        "Check the meter, the chemistry in the machine file and whether the BMS is on. Do not charge the pack until"
        " the voltage fits: cells that were drained so far may short inside when they are charged.",
    )


def expect_socket(machine: Machine, readings: Readings) -> Expectation:
    """Return the voltage at the pack's charge socket."""
    volts = pack_voltage(machine, readings)
    return Expectation(round(0.95 * volts, 1), round(1.05 * volts, 1), "positive, the pack's voltage within 5 %")


def judge_socket(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the reading with the red lead on the contact that meets the charger's positive pin."""
    crossed = reversed_leads(
        volts, "at the charger's plug or the pack's charge socket", "A charger connected like that burns."
    )
    if crossed is not None:
        return crossed
    expected = expect_socket(machine, readings)
    if expected.low - 0.05 <= volts <= expected.high + 0.05:
        return Judgement("ok", "The charger's plug meets the pack with the right polarity.")
    if volts < SILENT_V:
        return Judgement(
            "caution",
            "The charge socket is dead with the charger unplugged: a charge relay, a diode or a fuse keeps it off, so"
            " polarity is not known.",
            "Trace both wires with an ohmmeter, pack disconnected, before the charger is plugged in.",
        )
    return Judgement(
        "stop",
        f"{volts:.1f} V is not the pack's voltage.",
        "Do not plug in the charger. Follow the wires from the charge socket to the pack.",
    )


def expect_charge(machine: Machine, _: Readings) -> Expectation:
    """Return the voltage at the end of the first charge."""
    cells, cell, stated = machine.pack.cells_in_series, machine.pack.cell, machine.charger.output_voltage_v
    end = cells * cell.charge_v if stated is None else stated
    why = f"{cells} cells at {cell.charge_v:.2f} V" if stated is None else f"the charger's stated {stated:g} V"
    most = machine.pack.high_cutoff_v if machine.pack.high_cutoff_v is not None else cells * cell.maximum_v
    return Expectation(round(0.985 * end, 1), round(min(1.005 * end, most), 1), f"{why}, within a percent or so")


def judge_charge(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the highest voltage of the first charge."""
    expected, most = expect_charge(machine, readings), machine.pack.cells_in_series * machine.pack.cell.maximum_v
    if volts > most:
        return Judgement(
            "stop",
            f"{volts:.1f} V is more than these cells tolerate ({most:.1f} V).",
            "Switch the charger off at the wall socket now and do not use it on this pack again. Watch the pack "
            "outdoors, from a distance, for an hour.",
        )
    if volts > expected.high:
        return Judgement(
            "caution",
            "Higher than stated: the charger ends late, or a meter reads high.",
            "Check with a second meter before the next charge.",
        )
    if volts < expected.low:
        return Judgement(
            "caution",
            "The charge ended early: the BMS stopped it on one high cell, or the charger's voltage is too low.",
            "Leave the charger connected, watched, so that the cells can balance. If it never gets there, run"
            " shakedown fit.",
        )
    return Judgement("ok", "The charge ended where it should.")
