"""The steps of the first-power list, in order. Common practice, from memory, where no machine file decides."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from telemetry.machine.first_power import (
    Expectation,
    Readings,
    Step,
    charge_range,
    controller_range,
    decay_range,
    judge_charge,
    judge_controller,
    judge_decay,
    judge_leak,
    judge_polarity,
    judge_precharge,
    judge_rest,
    judge_standby,
    judge_taps,
    judge_torque,
    leak_range,
    precharge_range,
    rest_range,
    standby_range,
)
from telemetry.machine.sections import Machine


def _positive(machine: Machine, _: Readings) -> Expectation:
    rest = rest_range(machine)
    return Expectation(rest.low, rest.high, f"positive, and about the pack's voltage: {rest.why}")


def _no(_: Machine, __: Readings) -> Expectation:
    return Expectation(0.0, 0.0, "no")


def _yes(_: Machine, __: Readings) -> Expectation:
    return Expectation(1.0, 1.0, "yes")


def _rest(machine: Machine, _: Readings) -> Expectation:
    return rest_range(machine)


def _shares(*shares: float) -> Callable[[Machine], tuple[float, ...]]:
    """Readings that are so many times the pack's nominal voltage."""
    return lambda machine: tuple(share * machine.pack.nominal_v for share in shares)


def _beside_the_rest_range(machine: Machine) -> tuple[float, ...]:
    rest = rest_range(machine)
    return 0.975 * rest.low, 1.03 * rest.high


def _charges(machine: Machine) -> tuple[float, ...]:
    pack = machine.pack
    return 0.95 * pack.cells_in_series * pack.cell.charge_v, 1.03 * pack.cells_in_series * pack.cell.maximum_v


STORED_ENERGY = (
    "A pack cannot be switched off inside. Rings and watches off, eye protection on, insulated tools, one hand where"
    " you can, and never a tool across the terminals."
)
FUSED_LEADS = "Use meter leads rated for the pack's voltage, with the meter set to DC volts and not to amperes."

STEPS: Final = (
    Step(
        "polarity",
        "Polarity at the pack's plug",
        (STORED_ENERGY, FUSED_LEADS),
        "Leave the controller unplugged. Put the meter's red lead on the wire that will be positive, black on the"
        " other.",
        "V",
        "What does the meter read (with its sign)?",
        _positive,
        judge_polarity,
        "If the reading has a minus sign, the wires are exchanged. Type it with the minus sign.",
        _shares(-1.0, 0.0),
    ),
    Step(
        "rested-voltage",
        "Rested voltage against the cell count",
        (),
        "Let the pack rest an hour, neither charged nor loaded. Measure again at the same place.",
        "V",
        "What does the meter read?",
        _rest,
        judge_rest,
        "Divided by the number of cells this is a cell's voltage. One cell too many or too few shows as some volts.",
        _beside_the_rest_range,
    ),
    Step(
        "frame-to-positive",
        "Leakage from frame to the positive pole",
        ("Touch neither frame nor pole with bare hands while you measure.",),
        "Put one lead on bare metal of the frame, the other on the positive pole. Wait until the reading settles.",
        "V",
        "What does the meter read after ten seconds?",
        leak_range,
        judge_leak,
        "A reading that sinks towards nothing is the meter itself. One that stays is a path for current.",
        _shares(0.2, 1.0),
    ),
    Step(
        "frame-to-negative",
        "Leakage from frame to the negative pole",
        (),
        "The same with the negative pole.",
        "V",
        "What does the meter read after ten seconds?",
        leak_range,
        judge_leak,
        "If this machine has its negative pole on the frame by design, the other reading shows the pack's voltage.",
        _shares(0.2, 1.0),
    ),
    Step(
        "tapped-loads",
        "Loads tapped off a part of the old bank",
        (),
        "Look along the old wiring for horn, lamps, gauge, radio or converter that hung on one or"
        " two of the old blocks.",
        "",
        "Is any load still wired to a part of the bank?",
        _no,
        judge_taps,
        "A 12 V lamp was often fed by one block of several. The new pack has no such place.",
        lambda _: (1.0,),
    ),
    Step(
        "precharge",
        "Pre-charge across the main switch",
        (
            "Lift the driven wheels and chock the others: the machine may move. Nobody near the implement.",
            "Do not bridge the main switch with a wire: the inrush melts it.",
        ),
        "Main switch open, fuse in, plug in, key on so that the pre-charge works. Wait {wait:.1f} s."
        " Then measure across the open main switch.",
        "V",
        "What does the meter read across the switch?",
        precharge_range,
        judge_precharge,
        "The resistor fills the controller's capacitor slowly. When it is full, both sides of the switch stand at the"
        " same voltage.",
        _shares(1.0, 0.3),
        "the machine file does not state both precharge_ohm (colour rings or print on the resistor) and"
        " controller_capacitance_uf (controller's sheet), so no time can be computed; wait ten seconds",
    ),
    Step(
        "controller-voltage",
        "Voltage at the controller",
        ("Stand clear of the wheels and of the implement; foot off the pedal.",),
        "Close the main switch. Measure at the controller's battery terminals.",
        "V",
        "What does the meter read?",
        controller_range,
        judge_controller,
        "With hardly any current, the whole voltage of the pack must arrive.",
        _shares(0.8),
    ),
    Step(
        "key-off",
        "Voltage at the controller after key-off",
        ("Treat the controller's terminals as live until the meter says otherwise.",),
        "Key off, main switch open. Wait a minute and measure at the same place.",
        "V",
        "What does the meter read after a minute?",
        decay_range,
        judge_decay,
        "A voltage that stays means that the main switch did not open: a welded contactor.",
        _shares(1.0, 0.5),
    ),
    Step(
        "standby-current",
        "Standby current",
        (
            "A meter in series takes a few amperes only: key off, and never start or drive through it.",
            "Set the meter back to volts and its lead back to the volt socket at once afterwards.",
        ),
        "Key off. Put the meter, set to DC amperes, in series with the pack, or a clamp meter around one cable.",
        "A",
        "What current flows?",
        standby_range,
        judge_standby,
        "80 mA may be typed as it is. What stays on empties the pack while the machine stands.",
        lambda _: (1.0,),
    ),
    Step(
        "first-charge",
        "The first charge, watched to its end",
        (
            "Do not leave it alone, nor charge lithium cells below 0 degC. Outdoors or where nothing can catch fire.",
            "The mains side is for a licensed electrician, by the local code.",
        ),
        "Plug in the charger and stay beside it. Feel the plugs every quarter of an hour. Note the highest voltage.",
        "V",
        "What was the highest voltage at the end of the charge?",
        charge_range,
        judge_charge,
        "A charge that ends by itself at the stated voltage shows that charger, pack and its switch agree.",
        _charges,
    ),
    Step(
        "retorque",
        "Lugs tightened again after the first hour",
        (STORED_ENERGY, "Unplug the pack first, and measure that the terminals you work on are dead."),
        "After the first hour of driving, tighten every lug to the maker's torque with a torque wrench.",
        "",
        "Are all lugs tightened again?",
        _yes,
        judge_torque,
        "Type later to leave the list here and come back after the first hour.",
        lambda _: (0.0,),
    ),
)
