"""The steps of the first-power list, in order. Common practice, from memory, where no machine file decides."""

from __future__ import annotations

from typing import Final

from telemetry.machine.cautions import JOINT_HEAT, JOINT_WORK, MAINS, STORED_ENERGY, WHEELS_UP
from telemetry.machine.first_power import Step, confirmed, shares, text
from telemetry.machine.first_power_insulation import CONNECTED, insulation_steps
from telemetry.machine.first_power_pack import (
    expect_charge,
    expect_positive,
    expect_rest,
    expect_socket,
    judge_charge,
    judge_polarity,
    judge_rest,
    judge_socket,
    rest_range,
)
from telemetry.machine.first_power_switch import (
    MAIN_SWITCHES,
    across_text,
    close_text,
    expect_across,
    expect_controller,
    expect_decay,
    expect_precharged,
    expect_standby,
    judge_across,
    judge_controller,
    judge_controller_polarity,
    judge_decay,
    judge_standby,
    open_text,
    precharge_text,
    standby_text,
    stated_switch,
)
from telemetry.machine.sections import Machine

PACKS_IN_PARALLEL: Final = (
    "Packs in parallel: a fuse at each. Join them rested and within 0.1 V of each other, or one drives a current into"
    " the other that only their resistance limits."
)
"""The bound is common practice, from memory: over the few milliohm of two packs it is tens of amperes."""
PULL_THE_PLUG: Final = "Second person at the main switch or the pack's plug."


def _frame_return(machine: Machine) -> float | None:
    stated = machine.vehicle.frame_is_return
    return None if stated is None else float(stated)


def _ac(machine: Machine) -> float | None:
    motor = machine.vehicle.motor_type
    return None if motor is None else float(motor == "ac")


def _beside_the_rest_range(machine: Machine) -> tuple[float, ...]:
    rest = rest_range(machine)
    return 0.975 * rest.low, 1.03 * rest.high


def _beside_the_charge_end(machine: Machine) -> tuple[float, ...]:
    pack = machine.pack
    return 0.95 * pack.cells_in_series * pack.cell.charge_v, 1.03 * pack.cells_in_series * pack.cell.maximum_v


SWITCH_CLOSES: Final = "the main switch closes; type back to do it now"
_BEFORE_POWER: Final = (
    Step(
        name="main-switch",
        title="What closes the main switch",
        what=text("Follow the thick cable from the pack to the first thing that can open it."),
        choices=MAIN_SWITCHES,
        question="What closes the main switch?",
        help="key: the key switch itself carries the current. contactor: the key only switches a coil. hand: a lever,"
        " a disconnect switch or a plug.",
        unknown="your machine decides; the pre-charge step depends on it",
        stated=stated_switch,
    ),
    Step(
        name="frame-return",
        title="Whether the frame is the return conductor",
        what=text("Look whether a pole of the pack or a motor is cabled to the frame by design (wiring diagram)."),
        question="Does the frame carry the return current by design?",
        help="On a traction machine it usually does not. Where it does, insulation to the frame is not measured.",
        unknown="your machine decides; the insulation steps depend on it",
        stated=_frame_return,
    ),
    Step(
        name="ac-controller",
        title="Whether the motor is AC",
        what=text("Count the thick cables between controller and motor: two are DC, three are AC."),
        question="Is there an AC controller?",
        help="With an AC controller connected the insulation has to be five times as high (UN Regulation No. 100).",
        unknown="your machine decides; skip counts as yes",
        stated=_ac,
    ),
    confirmed(
        name="second-person",
        title="Second person, extinguisher, jewellery off",
        cautions=(STORED_ENERGY,),
        what=text(
            "Have a second person beside you who knows the main switch and the emergency number, and a fire"
            " extinguisher and a clear way out. Lithium cells need much water to cool; do not breathe the smoke."
        ),
        question="Is all of that so, and are rings, watch and necklace off?",
        means="Go on.",
        otherwise="Alone or with a ring on, a slip can kill.",
        then="Fix that first.",
        help="Somebody alone can neither let go of a live conductor nor call for help.",
    ),
    confirmed(
        name="lug-torque",
        by=SWITCH_CLOSES,
        title="Lugs and cell joints torqued before power",
        cautions=JOINT_WORK,
        what=text("Torque every lug, busbar and terminal to the maker's figure with a torque wrench and mark it."),
        question="Is every joint torqued and marked?",
        means="Joints are ready for current.",
        otherwise="A loose joint heats, arcs and burns.",
        then="Torque it before power.",
        help="A paint stripe across nut and stud shows later whether it has moved.",
    ),
    confirmed(
        name="tapped-loads",
        title="Loads tapped off a part of the old bank",
        what=text(
            "Follow the old wiring of horn, lamps, gauge, radio and converter: was any of them on one or two of the"
            " old blocks?"
        ),
        question="Is any load still wired to a part of the bank?",
        answer="no",
        means="Every load is on the whole pack or has its own converter.",
        otherwise="A load from part of the bank gets too much voltage on the whole pack, and on part of the new pack"
        " it drains some cells and not others.",
        then="Supply it by a converter from the whole pack, with its own fuse.",
        help="A 12 V lamp was often on one block of several. The new pack has no such tap.",
    ),
    confirmed(
        name="fuse",
        by=SWITCH_CLOSES,
        title="A fuse at the pack",
        cautions=(PACKS_IN_PARALLEL,),
        what=lambda machine, _: (
            "Pack unplugged. Find the fuse in the positive cable, within a hand's breadth of the pack. Read its"
            f" print: DC, and {machine.full_voltage[0]:.1f} V or more. What current it may have, shakedown fit says."
        ),
        question="Is there such a fuse at the pack?",
        means="A short circuit behind the fuse is interrupted.",
        otherwise="Without a fuse that can interrupt the pack, a short circuit burns cable and pack.",
        then="Fit one before power. No bolt, wire or breaker for AC in its place.",
        help="The BMS is no fuse: its switch can fail closed. A fuse for AC, or for fewer volts, may go on arcing.",
    ),
    confirmed(
        name="controller-lugs",
        by=SWITCH_CLOSES,
        title="Wires to the controller traced",
        what=text(
            "Pack unplugged, no voltage at the controller. With the ohmmeter follow positive from the plug through"
            " fuse and main switch to B+, and negative to B-. Check that positive and negative are not joined."
        ),
        question="Does positive go to B+ and negative to B-?",
        means="The wires are right; the voltage is checked below.",
        otherwise="Swapped wires destroy the controller at once.",
        then="Swap them at the controller's lugs, then trace again.",
        help="Across B+ and B- the ohmmeter climbs while it charges the capacitor; it must not stay near zero.",
    ),
)

_PACK_ALONE: Final = (
    Step(
        name="polarity",
        by=SWITCH_CLOSES,
        title="Polarity at the pack's plug",
        cautions=("Set the meter to DC volts, not amperes, with leads rated for the pack's voltage.",),
        what=text("Leave the controller unplugged. Red lead on the wire that will be positive, black on the other."),
        unit="V",
        question="What does the meter read (with its sign)?",
        expect=expect_positive,
        judge=judge_polarity,
        help="Type a minus sign if there is one: it says that leads or wires are reversed.",
        wrong=shares(-1.0, 0.0),
        signed=True,
        live=True,
    ),
    Step(
        name="rested-voltage",
        by=SWITCH_CLOSES,
        title="Open-circuit voltage against the cell count",
        what=text("Let the pack rest an hour, neither charged nor loaded. Measure at the same place."),
        unit="V",
        question="What does the meter read?",
        expect=expect_rest,
        judge=judge_rest,
        help="Divided by the number of cells this is the cell voltage. A wrong count shifts it by volts.",
        wrong=_beside_the_rest_range,
        live=True,
    ),
    *insulation_steps("", "Pack unplugged from the machine, fixed in its place."),
)

_FIRST_POWER: Final = (
    Step(
        name="controller-polarity",
        by=SWITCH_CLOSES,
        title="Polarity at the controller's lugs, through the pre-charge",
        cautions=(WHEELS_UP, PULL_THE_PLUG, "Never bridge the main switch with a wire: the inrush melts it."),
        what=precharge_text,
        unit="V",
        question="What does the meter read (with its sign)?",
        expect=expect_precharged,
        judge=judge_controller_polarity,
        help="The pre-charge resistor limits the current, so that a mistake shows before it destroys anything.",
        wrong=shares(-1.0, 0.0),
        signed=True,
        live=True,
    ),
    Step(
        name="precharge",
        by=SWITCH_CLOSES,
        title="Pre-charge across the main switch",
        what=across_text,
        unit="V",
        question="What does the meter read across the switch?",
        expect=expect_across,
        judge=judge_across,
        help="The resistor charges the controller's capacitor. Once that is done, both sides of the switch are at the"
        " same voltage.",
        wrong=shares(1.0, 0.3),
        unknown="the machine file does not state both precharge_ohm (colour rings or print on the resistor) and"
        " controller_capacitance_uf (controller's sheet), so no time can be computed; wait ten seconds",
        live=True,
    ),
    Step(
        name="controller-voltage",
        title="Voltage at the controller",
        cautions=(WHEELS_UP, "Foot off the throttle."),
        what=close_text,
        unit="V",
        question="What does the meter read (with its sign)?",
        expect=expect_controller,
        judge=judge_controller,
        help="With hardly any current, the pack's whole voltage must be there.",
        wrong=shares(0.8),
        signed=True,
        live=True,
    ),
    *insulation_steps(CONNECTED, "Everything connected, main switch closed, nobody at the throttle."),
    confirmed(
        name="emergency-stop",
        title="Emergency stop",
        cautions=(WHEELS_UP,),
        what=text("Let the wheels turn slowly. Have the second person hit the emergency stop."),
        question="Did it stop the wheels and cut the voltage at the controller?",
        means="The emergency stop works.",
        otherwise="Without an emergency stop that works there is no way to stop a runaway.",
        then="Pull the plug. Repair or fit one (DC-rated for the full pack's voltage and the fuse's current).",
        help="Where the machine has none, answer no: fit one within the driver's reach.",
        live=True,
    ),
    confirmed(
        name="interlocks",
        title="Every interlock",
        cautions=(WHEELS_UP,),
        what=text(
            "Try each by itself at low wheel speed: key, seat, brake, parking brake, implement, charger plug. Each"
            " must stop what it is there to stop."
        ),
        question="Does every interlock work?",
        means="All interlocks work.",
        otherwise="An interlock that does not stop the machine protects nobody.",
        then="Repair it before you drive. Never bypass one.",
        help="Weigh the seat down with a sandbag on a cord, and pull it off from beside the machine.",
        live=True,
    ),
    confirmed(
        name="direction",
        title="Direction of rotation",
        cautions=(WHEELS_UP,),
        what=text("Select forward, then reverse, at low wheel speed."),
        question="Do the wheels turn the way that is selected?",
        means="Direction is right.",
        otherwise="On the ground it would drive the wrong way.",
        then="Key off, pack disconnected. Correct it as the controller's sheet says (motor leads or setting), and try"
        " again.",
        help="Both wheels of an axle must turn the same way.",
        live=True,
    ),
    Step(
        name="key-off",
        title="Voltage at the controller after key-off",
        cautions=("Treat the controller's terminals as live until the meter says otherwise.",),
        what=open_text,
        unit="V",
        question="What does the meter read after a minute?",
        expect=expect_decay,
        judge=judge_decay,
        help="A voltage that stays is a welded main switch. Where the pre-charge resistor bridges the switch for good"
        " it stays at a sound switch too: skip, and check the switch with an ohmmeter, pack disconnected.",
        wrong=shares(1.0, 0.5),
        live=True,
    ),
    Step(
        name="standby-current",
        title="Standby current",
        cautions=("Never start or drive through a meter in series. Set it back to volts at once afterwards.",),
        what=standby_text,
        unit="A",
        question="What current flows?",
        expect=expect_standby,
        judge=judge_standby,
        help="80 mA can be typed as it is. The standby current drains the pack while the machine is parked.",
        wrong=lambda _: (1.0,),
        live=True,
    ),
)

_CHARGE_AND_AFTER: Final = (
    Step(
        name="charger-polarity",
        by="the charger is plugged in",
        title="Polarity at the charger's plug",
        cautions=(MAINS,),
        what=text(
            "Charger unplugged at the wall. Find the contact of the pack's charge socket that meets the plug's"
            " positive pin (print on the plug, the charger's sheet). Red lead there, black on the other."
        ),
        unit="V",
        question="What does the meter read (with its sign)?",
        expect=expect_socket,
        judge=judge_socket,
        help="Most chargers show nothing at their own plug without a battery, so the pack's side is measured.",
        wrong=shares(-1.0, 0.0, 0.5),
        signed=True,
        live=True,
    ),
    Step(
        name="first-charge",
        title="The first charge, watched to its end",
        cautions=(
            "Stay with it. Never charge lithium cells below 0 °C. Outdoors, or where nothing can catch fire.",
            MAINS,
            JOINT_HEAT,
        ),
        what=text(
            "Plug in the charger and stay beside it. Check plugs and cables every quarter of an hour with the"
            " infrared thermometer; stop at 30 °C above the air. Note the highest voltage."
        ),
        unit="V",
        question="What was the highest voltage at the end of the charge?",
        expect=expect_charge,
        judge=judge_charge,
        help="A charge that ends by itself at the stated voltage shows that charger, pack and BMS agree.",
        wrong=_beside_the_charge_end,
        live=True,
    ),
    confirmed(
        name="retorque",
        title="Joints torqued again after the first hour",
        cautions=JOINT_WORK,
        what=text("After the first hour of driving, torque every joint to the maker's figure again."),
        question="Are all joints torqued again?",
        means="The joints have settled and are tight.",
        otherwise="Joints settle in the first hour, and a loose one heats and burns.",
        then="Do it before the next drive.",
        verdict="caution",
        afterwards=True,
        help="Type later to leave the list here and come back after the first hour.",
    ),
)

STEPS: Final = (*_BEFORE_POWER, *_PACK_ALONE, *_FIRST_POWER, *_CHARGE_AND_AFTER)


def stated_answers(machine: Machine) -> dict[str, float]:
    """Return the answers that the machine file gives, so that they are not asked for."""
    found = {step.name: step.stated(machine) for step in STEPS}
    return {name: answer for name, answer in found.items() if answer is not None}
