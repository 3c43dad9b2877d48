"""First power, from the main switch on: pre-charge, voltage at the controller, key-off, standby current.

What closes the main switch decides how the pre-charge is measured: a contactor that the key controls, a key switch
that carries the current itself, or a switch or plug worked by hand.
"""

from __future__ import annotations

import math
from typing import Final

from telemetry.machine.first_power import Expectation, Judgement, Readings, answer, pack_voltage
from telemetry.machine.first_power_pack import SILENT_V, rest_range, reversed_leads
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

MAIN_SWITCHES: Final = ("key", "contactor", "hand")
TIME_CONSTANTS: Final = 5
"""After five time constants a capacitor is full but for exp(-5), 0.7 % (plain circuit theory)."""
USUAL_STANDBY_A: Final = 0.1
WELDED_SHARE: Final = 0.95
STILL_CHARGED_SHARE: Final = 0.2
_PRECHARGE: Final = {
    "contactor": "Contactor: pull the plug off its coil, so that it stays open. Plug in the pack, key on.",
    "key": "Key switch: leave it off. Its pre-charge resistor bridges it; plug in the pack.",
    "hand": "Switch worked by hand: leave it open. Plug in the pack; hold the pre-charge button if there is one.",
}
_CLOSE: Final = {
    "contactor": "Contactor: key off, put the plug back on its coil, key on; it must click once.",
    "key": "Key switch: turn it on as soon as the pre-charge is done.",
    "hand": "Switch worked by hand: close it in one quick movement as soon as the pre-charge is done.",
}
_OPEN: Final = {
    "contactor": "Contactor: turn the key off; it must drop out.",
    "key": "Key switch: turn it off.",
    "hand": "Switch worked by hand: turn the key off if there is one, then open the switch.",
}
_STANDBY: Final = {
    "contactor": "Contactor: key off. Clamp a DC clamp meter, zeroed, around one cable. Without one: unplug the pack,"
    " set the meter to DC amperes at its 10 A socket, put it in series with one cable, never across the pack, and"
    " plug in.",
    "key": "Key switch: turn it off. Use a DC clamp meter around one cable; zero it first. No meter in series:"
    " without a contactor the inrush goes through it.",
    "hand": "Switch worked by hand: leave it closed, key off. Use a DC clamp meter around one cable; zero it first."
    " No meter in series: without a contactor the inrush goes through it.",
}


def stated_switch(machine: Machine) -> float | None:
    """Return what closes the main switch by the machine file, as its place in :data:`MAIN_SWITCHES`."""
    stated = machine.vehicle.main_switch
    return None if stated is None else float(MAIN_SWITCHES.index(stated))


def _for_switch(texts: dict[str, str], machine: Machine, readings: Readings) -> str:
    """Return the text for this machine's main switch; all of them where it is not known."""
    place = answer(readings, "main-switch")
    stated = stated_switch(machine)
    place = int(stated) if place is None and stated is not None else place
    if place is None:
        return " ".join(texts.values())
    return capital(texts[MAIN_SWITCHES[place]].split(": ", 1)[1])


def precharge_text(machine: Machine, readings: Readings) -> str:
    """Return how to pre-charge and read the controller's polarity with the main switch open."""
    return (
        f"{_for_switch(_PRECHARGE, machine, readings)} Wait {waiting_s(machine):.1f} s. Put the red lead on the"
        " controller's B+ terminal, black on B-."
    )


def across_text(_: Machine, __: Readings) -> str:
    """Return how to measure across the open main switch."""
    return (
        "Pre-charge on, main switch open, as in the step before. Measure across the open main switch, red on the"
        " pack's side."
    )


def close_text(machine: Machine, readings: Readings) -> str:
    """Return how to close the main switch and measure."""
    return f"{_for_switch(_CLOSE, machine, readings)} Measure at the controller, red on B+, black on B-."


def open_text(machine: Machine, readings: Readings) -> str:
    """Return how to open the main switch and measure."""
    return f"{_for_switch(_OPEN, machine, readings)} Wait a minute and measure at the controller again."


def standby_text(machine: Machine, readings: Readings) -> str:
    """Return how to measure the standby current."""
    return _for_switch(_STANDBY, machine, readings)


def precharge_s(machine: Machine) -> float | None:
    """Return the time in which the pre-charge fills the controller's capacitor, s: 5 R C; None where not stated."""
    ohm, capacity_uf = machine.vehicle.precharge_ohm, machine.vehicle.controller_capacitance_uf
    return None if ohm is None or capacity_uf is None else TIME_CONSTANTS * ohm * capacity_uf * 1e-6


def waiting_s(machine: Machine) -> float:
    """Return how long to pre-charge before the reading, s: the computed time, one second at least; ten if unknown."""
    time_s = precharge_s(machine)
    return 10.0 if time_s is None else max(1.0, time_s)


def expect_precharged(machine: Machine, readings: Readings) -> Expectation:
    """Return the voltage at the controller after the pre-charge, the main switch still open."""
    volts, left = pack_voltage(machine, readings), expect_across(machine, readings)
    low = 0.95 * volts if left is None else volts - left.high
    return Expectation(round(low, 1), round(1.02 * volts, 1), "positive, nearly the pack's voltage")


def judge_controller_polarity(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the polarity at the controller, fed through the pre-charge resistor only."""
    crossed = reversed_leads(
        volts,
        "at the controller's lugs",
        "The pre-charge resistor has limited the current; the main switch would not.",
    )
    if crossed is not None:
        return crossed
    if volts < max(SILENT_V, 0.05 * pack_voltage(machine, readings)):
        return Judgement(
            "stop",
            f"{volts:.1f} V: nothing gets through the pre-charge, or the wires at the controller's lugs are swapped"
            " (its diodes then short the supply).",
            "Disconnect the pack. Check both lugs with an ohmmeter, then the pre-charge resistor, its fuse and relay."
            " Do not close the main switch.",
        )
    return Judgement("ok", "Polarity is correct at the controller.")


def expect_across(machine: Machine, readings: Readings) -> Expectation | None:
    """Return what is left across the open main switch after the pre-charge."""
    time_s = precharge_s(machine)
    if time_s is None:
        return None
    volts, vehicle = pack_voltage(machine, readings), machine.vehicle
    left = 0.02 * volts + (vehicle.standby_current_a or 0.0) * (vehicle.precharge_ohm or 0.0)
    why = (
        f"{vehicle.precharge_ohm:g} ohm and {vehicle.controller_capacitance_uf:g} uF: {TIME_CONSTANTS} time constants"
        f" are {time_s:.1f} s; then less than 1 % is left, and what the standby current drops in the resistor"
    )
    return Expectation(0.0, round(left, 1), why)


def judge_across(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge what is left across the open main switch after the pre-charge."""
    expected, whole = expect_across(machine, readings), pack_voltage(machine, readings)
    if abs(volts) <= (expected.high if expected is not None else 0.05 * whole):
        return Judgement("ok", "The capacitor is charged: the main switch can close without an inrush.")
    if abs(volts) > 0.9 * whole:
        return Judgement(
            "stop",
            "The pre-charge does nothing: there is no resistor, or it, its fuse or its relay is an open circuit.",
            "Do not close the main switch: the inrush pits its contacts and can trip the BMS. Find or fit the"
            " resistor.",
        )
    return Judgement(
        "stop",
        f"{abs(volts):.1f} V is left: the pre-charge was too short, or a load behind the switch holds the voltage"
        " down.",
        "Key off, pack disconnected: unplug what draws current. Then wait twice as long and measure again. Do not"
        " close the main switch before.",
    )


def expect_controller(machine: Machine, readings: Readings) -> Expectation:
    """Return the voltage at the controller with the main switch closed and no load."""
    volts = readings.get("rested-voltage", math.nan)
    if math.isnan(volts):
        rest = rest_range(machine)
        return Expectation(rest.low, rest.high, f"the pack's range at rest: {rest.why}")
    why = f"the pack's {volts:.1f} V at rest, less the drop of the standby current; meters differ by half a percent"
    return Expectation(round(0.99 * volts - 0.1, 1), round(1.005 * volts + 0.1, 1), why)


def judge_controller(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the voltage at the controller's terminals."""
    expected, most = expect_controller(machine, readings), machine.vehicle.maximum_voltage_v
    crossed = reversed_leads(volts, "at the controller's lugs", "Open the main switch now.")
    if crossed is not None:
        return crossed
    if most is not None and volts > most:
        return Judgement(
            "stop",
            f"{volts:.1f} V: the controller tolerates at most {most:g} V.",
            "Open the main switch and leave it open: pack and controller do not suit each other.",
        )
    if expected.low <= volts <= expected.high:
        return Judgement("ok", "The pack's full voltage reaches the controller.")
    if volts < expected.low:
        return Judgement(
            "stop",
            f"At least {expected.low - volts:.1f} V is lost on the way with hardly any current: a switch, lug or fuse"
            " does not conduct.",
            "Open the main switch, disconnect the pack, and check switch, fuse and lugs one by one with an ohmmeter.",
        )
    return Judgement("caution", "More than the pack at rest: a charger is connected, or the meters differ.")


def expect_decay(machine: Machine, readings: Readings) -> Expectation:
    """Return the voltage at the controller a minute after key-off."""
    most = round(STILL_CHARGED_SHARE * pack_voltage(machine, readings), 1)
    return Expectation(0.0, most, "the capacitor drains within about a minute; a fifth of the pack's voltage")


def judge_decay(machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the voltage at the controller a minute after key-off."""
    share = abs(volts) / pack_voltage(machine, readings)
    if share >= WELDED_SHARE:
        return Judgement(
            "stop",
            "The voltage stays: the main switch has not opened. Its contacts are welded, or the pre-charge resistor"
            " or another wire bypasses it.",
            "Disconnect the pack. Once the capacitor has drained, measure ohms across the open switch: the pre-charge"
            " resistor's value or an open circuit is right. Replace a welded contactor or switch.",
        )
    if abs(volts) > expect_decay(machine, readings).high:
        return Judgement(
            "caution",
            f"{abs(volts):.1f} V is left in the capacitor: it drains slowly.",
            "Treat the terminals as live until a meter says otherwise. Measure again in five minutes.",
        )
    return Judgement("ok", "The main switch opens and the capacitor drains.")


def expect_standby(machine: Machine, _: Readings) -> Expectation:
    """Return the battery current with the key off."""
    stated = machine.vehicle.standby_current_a
    if stated is None:
        return Expectation(0.0, USUAL_STANDBY_A, "the file states none; a tenth of an ampere is usual, from memory")
    return Expectation(0.0, round(1.5 * stated + 0.01, 3), f"the machine file states {stated:g} A")


def judge_standby(machine: Machine, readings: Readings, amperes: float) -> Judgement:
    """Judge the battery current with the key off, with the days to empty."""
    drawn, expected = abs(amperes), expect_standby(machine, readings)
    days = f" It empties the pack in {machine.pack.capacity_ah / drawn / 24:.0f} days." if drawn > 0 else ""
    if drawn <= expected.high:
        return Judgement("ok", f"As expected.{days}")
    return Judgement(
        "caution",
        f"More than expected: something stays on with the key off.{days}",
        "Unplug loads one after another until it goes. Disconnect the pack when the machine is parked for weeks.",
    )
