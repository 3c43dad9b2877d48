"""The first time that a rebuilt machine is given power: what to expect at each step, and what a reading means.

Pure: a step gives its text and its expectation from the machine file, and judges a reading. Who asks is the caller's
business. The order and the thresholds are common practice of the trade, from memory, except where a step computes
them from the machine file. They defer to the maker's sheets and to local codes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from telemetry.machine.sections import Machine

Verdict = Literal["ok", "caution", "stop", "skipped"]
Readings = Mapping[str, float]
"""Readings so far by the step's name, in the step's unit; yes is 1, no is 0; NaN where it was skipped."""

REST_V: Final[Mapping[str, tuple[float, float]]] = {
    "lfp": (3.20, 3.40),
    "nmc": (3.30, 4.20),
    "nca": (3.20, 4.20),
    "lto": (2.10, 2.70),
    "lead-flooded": (1.94, 2.16),
    "lead-agm": (1.94, 2.18),
}
"""Volts of a rested cell from about a tenth full to full. Common practice, from memory; those of iron phosphate and
of nickel manganese cobalt agree with the published curves that the simulated packs use."""

TIME_CONSTANTS = 5
"""After five time constants a capacitor is full but for exp(-5), 0.7 % (plain circuit theory)."""
USUAL_STANDBY_A = 0.1
WELDED_SHARE = 0.95
STILL_CHARGED_SHARE = 0.2
LEAKS_SHARE, BONDED_SHARE = 0.05, 0.5


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a reading should be.

    Attributes:
        low, high: in the step's unit, either end included.
        why: where the range comes from, one sentence.

    """

    low: float
    high: float
    why: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a reading means.

    Attributes:
        verdict: ``stop``: go no further until it is put right.
        means: one or two sentences.
        next: what to do now; empty where the list just goes on.

    """

    verdict: Verdict
    means: str
    next: str = ""


@dataclass(frozen=True)
class Step:
    """One step of the list.

    Attributes:
        name: as stored.
        title: a few words.
        cautions: to be read before the step is done.
        what: what to do, sentences; ``{wait}`` stands for the seconds of pre-charge.
        unit: of the reading; empty for a question of yes or no.
        question: what is asked for.
        expect: from the machine and the readings so far; None where nothing can be said, ``unknown`` then says why.
        judge: of a reading that was given.
        help: more for who asks.
        wrong: readings that show on a sheet what is wrong when it is, in the step's unit.
        unknown: what the machine file would have to state.

    """

    name: str
    title: str
    cautions: tuple[str, ...]
    what: str
    unit: str
    question: str
    expect: Callable[[Machine, Readings], Expectation | None]
    judge: Callable[[Machine, Readings, float], Judgement]
    help: str
    wrong: Callable[[Machine], tuple[float, ...]]
    unknown: str = ""

    def instructions(self, machine: Machine) -> str:
        """Return what to do, with the time to wait for this machine."""
        return self.what.format(wait=waiting_s(machine))

    def judged(self, machine: Machine, before: Readings, reading: float) -> Judgement:
        """Return what ``reading`` means; NaN is a step that was skipped."""
        if math.isnan(reading):
            return Judgement("skipped", "Not measured, so this stays unknown.", "Do it before the first drive.")
        return self.judge(machine, before, reading)


def pack_voltage(machine: Machine, readings: Readings) -> float:
    """Return the pack's voltage as far as known, V: measured at rest, else nominal."""
    measured = readings.get("rested-voltage", math.nan)
    return machine.pack.nominal_v if math.isnan(measured) else measured


def rest_range(machine: Machine) -> Expectation:
    """Return the voltages that the stated cells may rest at."""
    pack, (low, high) = machine.pack, REST_V[machine.pack.chemistry]
    count = pack.cells_in_series
    why = f"{count} {pack.chemistry} cells rest at {low:.2f} to {high:.2f} V each"
    return Expectation(round(count * low, 1), round(count * high, 1), why)


def fitting_counts(chemistry: str, volts: float) -> tuple[int, ...]:
    """Return the numbers of cells in series that rest at ``volts``, ascending; none where no number fits."""
    low, high = REST_V[chemistry]
    return tuple(range(max(1, math.ceil(volts / high - 1e-9)), math.floor(volts / low + 1e-9) + 1))


def judge_polarity(machine: Machine, _: Readings, volts: float) -> Judgement:
    """Judge the reading with the red lead on the wire that is to be positive."""
    least = 0.5 * machine.pack.cells_in_series * machine.pack.cell.minimum_v
    if volts <= -1.0:
        return Judgement(
            "stop",
            "The two wires are exchanged: the one that should be positive is negative. Connected so, a controller is"
            " destroyed at once.",
            "Leave everything unplugged, exchange the wires at the pack's plug, and measure again.",
        )
    if volts < least:
        return Judgement(
            "stop",
            f"{volts:.1f} V is far too little: the pack's own switch is open, it sleeps, or a fuse or a lug is open.",
            "Wake the pack as its sheet says, look at its fuse and plug, and measure again.",
        )
    return Judgement("ok", "Plus is plus.")


def judge_rest(machine: Machine, _: Readings, volts: float) -> Judgement:
    """Judge the voltage of the rested pack against the stated number of cells."""
    pack, expected = machine.pack, rest_range(machine)
    each = volts / pack.cells_in_series
    if expected.low - 0.05 <= volts <= expected.high + 0.05:
        return Judgement("ok", f"{each:.3f} V a cell: what {pack.cells_in_series} {pack.chemistry} cells rest at.")
    fitting = fitting_counts(pack.chemistry, volts)
    if fitting:
        counts = " or ".join(str(count) for count in fitting)
        low = " Or the pack is nearly empty." if pack.cell.minimum_v <= each < REST_V[pack.chemistry][0] else ""
        return Judgement(
            "stop",
            f"{volts:.1f} V is {counts} {pack.chemistry} cells, not {pack.cells_in_series}: they would have"
            f" {each:.2f} V each.{low}",
            f"Count the cells. If they are {counts}, put cells_in_series right in the machine file, run"
            f" shakedown fit,"
            " and check charger and controller again.",
        )
    if pack.cell.minimum_v <= each < REST_V[pack.chemistry][0]:
        return Judgement("caution", f"{each:.2f} V a cell: the pack is nearly empty.", "Charge it before you drive.")
    return Judgement(
        "stop",
        f"{volts:.1f} V is {each:.2f} V a cell, which no {pack.chemistry} cell rests at.",
        "Check the meter, the chemistry in the machine file, and the pack's own switch; charge"
        " nothing until it fits.",
    )


def leak_range(machine: Machine, readings: Readings) -> Expectation:
    """Return the steady voltage between a free frame and a pole."""
    most = round(LEAKS_SHARE * pack_voltage(machine, readings), 1)
    return Expectation(0.0, most, "a free frame shows next to nothing once the reading has settled; 5 % of the pack")


def judge_leak(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge a steady voltage between the frame and one pole."""
    share = abs(volts) / pack_voltage(machine, readings)
    if abs(volts) <= leak_range(machine, readings).high:
        return Judgement("ok", "The frame is free of this pole, as far as a meter tells.")
    if share < BONDED_SHARE:
        return Judgement(
            "caution",
            f"{abs(volts):.1f} V, {100 * share:.0f} % of the pack, stay between frame and this pole: something leaks"
            " (dirt, damp, a converter, a motor's brush dust).",
            "Unplug consumers one after another until it goes, and mend that one.",
        )
    return Judgement(
        "stop",
        f"{abs(volts):.1f} V, {100 * share:.0f} % of the pack, stay between frame and this pole: the other pole is"
        " joined to the frame. A tool between this pole and the frame then short-circuits the pack.",
        "Find the joint. If the maker joins that pole to the frame on purpose, answer skip and note it on the pack.",
    )


def judge_taps(_: Machine, __: Readings, answer: float) -> Judgement:
    """Judge whether something still hangs on a part of the old bank."""
    if answer == 0.0:
        return Judgement("ok", "Everything hangs on the whole pack or has its own converter.")
    return Judgement(
        "stop",
        "A load on a part of the bank has no place to go now: on the whole pack it gets too much"
        " voltage, on a part of"
        " the new pack it empties some cells and not others.",
        "Feed it by a converter from the whole pack, with its own fuse.",
    )


def precharge_s(machine: Machine) -> float | None:
    """Return the time in which the pre-charge fills the controller's capacitor, s: 5 R C; None where not stated."""
    ohm, capacity_uf = machine.vehicle.precharge_ohm, machine.vehicle.controller_capacitance_uf
    return None if ohm is None or capacity_uf is None else TIME_CONSTANTS * ohm * capacity_uf * 1e-6


def waiting_s(machine: Machine) -> float:
    """Return how long to pre-charge before the reading, s: the computed time, one second at least; ten if unknown."""
    time_s = precharge_s(machine)
    return 10.0 if time_s is None else max(1.0, time_s)


def precharge_range(machine: Machine, readings: Readings) -> Expectation | None:
    """Return what is left across the open main switch after the pre-charge."""
    time_s = precharge_s(machine)
    if time_s is None:
        return None
    volts, vehicle = pack_voltage(machine, readings), machine.vehicle
    left = 0.02 * volts + (vehicle.standby_current_a or 0.0) * (vehicle.precharge_ohm or 0.0)
    why = (
        f"{vehicle.precharge_ohm:g} ohm and {vehicle.controller_capacitance_uf:g} uF: {TIME_CONSTANTS} time constants"
        f" are {time_s:.1f} s, then less than 1 % is left, and what the standby current drops in the resistor"
    )
    return Expectation(0.0, round(left, 1), why)


def judge_precharge(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge what is left across the open main switch after the pre-charge."""
    expected, whole = precharge_range(machine, readings), pack_voltage(machine, readings)
    if abs(volts) <= (expected.high if expected is not None else 0.05 * whole):
        return Judgement("ok", "The capacitor is full: the main switch closes without a spark.")
    if abs(volts) > 0.9 * whole:
        return Judgement(
            "stop",
            "Nothing has come through: there is no pre-charge resistor, or it, its fuse or its relay is open.",
            "Do not close the main switch: the inrush pits its contacts and may trip the pack. Find or"
            " fit the resistor.",
        )
    return Judgement(
        "stop",
        f"{abs(volts):.1f} V are left: the time was too short, or something behind the switch draws"
        f" current and holds the"
        " voltage down.",
        "Key off, unplug what draws, wait twice the time and measure again. Do not close the main switch before.",
    )


def controller_range(machine: Machine, readings: Readings) -> Expectation:
    """Return the voltage at the controller with the main switch closed and nothing drawing."""
    volts = readings.get("rested-voltage", math.nan)
    if math.isnan(volts):
        rest = rest_range(machine)
        return Expectation(rest.low, rest.high, f"the pack's own range at rest: {rest.why}")
    why = f"the {volts:.1f} V of the rested pack, less what the standby current and two meters' half percent make"
    return Expectation(round(0.99 * volts - 0.1, 1), round(1.005 * volts + 0.1, 1), why)


def judge_controller(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the voltage at the controller's terminals."""
    expected, most = controller_range(machine, readings), machine.vehicle.maximum_voltage_v
    if volts <= -1.0:
        return Judgement("stop", "The controller is fed the wrong way round.", "Open the main switch now.")
    if most is not None and volts > most:
        return Judgement(
            "stop",
            f"{volts:.1f} V is more than the {most:g} V that the controller stands.",
            "Open the main switch and do not close it again: pack and controller do not suit each other.",
        )
    if expected.low <= volts <= expected.high:
        return Judgement("ok", "All of the pack's voltage arrives.")
    if volts < expected.low:
        return Judgement(
            "stop",
            f"{expected.low - volts:.1f} V or more get lost on the way with hardly any current: a"
            f" switch, lug or fuse does"
            " not conduct.",
            "Open the main switch, isolate, and measure piece by piece where the voltage stays.",
        )
    return Judgement("caution", "More than the pack had at rest: a charger is connected, or the meters differ.")


def decay_range(machine: Machine, readings: Readings) -> Expectation:
    """Return the voltage at the controller a minute after key-off."""
    most = round(STILL_CHARGED_SHARE * pack_voltage(machine, readings), 1)
    return Expectation(0.0, most, "the capacitor empties within about a minute; a fifth of the pack's voltage")


def judge_decay(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the voltage at the controller a minute after key-off."""
    share = abs(volts) / pack_voltage(machine, readings)
    if share >= WELDED_SHARE:
        return Judgement(
            "stop",
            "The voltage stays: the main switch has not opened. Its contacts are welded, or something feeds past it.",
            "Unplug the pack. With it unplugged and the capacitor empty, measure the ohms across the"
            " open switch: they"
            " should be the pre-charge resistor's or none at all. Replace a welded switch.",
        )
    if abs(volts) > decay_range(machine, readings).high:
        return Judgement(
            "caution",
            f"{abs(volts):.1f} V are still in the capacitor: it empties slowly.",
            "Treat the terminals as live until a meter says otherwise. Measure again in five minutes.",
        )
    return Judgement("ok", "The switch opens and the capacitor empties.")


def standby_range(machine: Machine, _: Readings) -> Expectation:
    """Return the battery current with the key off."""
    stated = machine.vehicle.standby_current_a
    if stated is None:
        return Expectation(0.0, USUAL_STANDBY_A, "the file states none; a tenth of an ampere is usual, from memory")
    return Expectation(0.0, round(1.5 * stated + 0.01, 3), f"the machine file states {stated:g} A")


def judge_standby(machine: Machine, readings: Readings, amperes: float) -> Judgement:
    """Judge the battery current with the key off, with the days to empty."""
    drawn, expected = abs(amperes), standby_range(machine, readings)
    days = f" It empties the pack in {machine.pack.capacity_ah / drawn / 24:.0f} days." if drawn > 0 else ""
    if drawn <= expected.high:
        return Judgement("ok", f"As expected.{days}")
    return Judgement(
        "caution",
        f"More than expected: something stays on with the key off.{days}",
        "Unplug consumers one after another until it goes. Unplug the pack when the machine stands for weeks.",
    )


def charge_range(machine: Machine, _: Readings) -> Expectation:
    """Return the voltage at the end of the first charge."""
    cells, cell, stated = machine.pack.cells_in_series, machine.pack.cell, machine.charger.output_voltage_v
    end = cells * cell.charge_v if stated is None else stated
    why = f"{cells} cells at {cell.charge_v:.2f} V" if stated is None else f"the charger's stated {stated:g} V"
    most = machine.pack.high_cutoff_v if machine.pack.high_cutoff_v is not None else cells * cell.maximum_v
    return Expectation(round(0.985 * end, 1), round(min(1.005 * end, most), 1), f"{why}, within a percent or so")


def judge_charge(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the highest voltage of the first charge."""
    expected, most = charge_range(machine, readings), machine.pack.cells_in_series * machine.pack.cell.maximum_v
    if volts > most:
        return Judgement(
            "stop",
            f"{volts:.1f} V is more than the {most:.1f} V that these cells stand.",
            "Unplug the charger at the wall now and do not use it on this pack. Watch the pack outdoors for an hour.",
        )
    if volts > expected.high:
        return Judgement(
            "caution",
            "Higher than stated: the charger ends late, or one meter reads high.",
            "Check with a second meter before the next charge.",
        )
    if volts < expected.low:
        return Judgement(
            "caution",
            "The charge ended early: the pack's own switch opened on one high cell, or the charger's"
            " voltage is too low.",
            "Leave it plugged in under watch for the cells to even out. If it never gets there, run shakedown fit.",
        )
    return Judgement("ok", "The charge ended where it should.")


def judge_torque(_: Machine, __: Readings, answer: float) -> Judgement:
    """Judge whether the lugs were tightened again."""
    if answer == 1.0:
        return Judgement("ok", "The first hour's settling is taken up.")
    return Judgement(
        "caution",
        "Lugs settle in the first hour, and a loose one heats and burns.",
        "Do it before the next drive, with the pack unplugged and a torque wrench.",
    )
