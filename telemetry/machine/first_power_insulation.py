"""First power, insulation between pack and frame: by the pack alone, and again with everything connected.

Method, formula and bounds: :mod:`telemetry.machine.insulation`.
"""

from __future__ import annotations

import math
from typing import Final

from telemetry.machine.cautions import WHEELS_UP
from telemetry.machine.first_power import Expectation, Judgement, Readings, Step, answer, pack_voltage, text
from telemetry.machine.insulation import (
    METER_SHARE,
    METER_V,
    RESISTOR_TOLERANCE,
    Insulation,
    highest_reading,
    insulation_resistance,
    resistor_range,
    resistor_watts,
    rose,
)
from telemetry.machine.limits_vehicle import AC_OHM_PER_V, DC_OHM_PER_V
from telemetry.machine.sections import Machine

POLES: Final = ("positive", "negative")
METER_OHM: Final = 10e6
NO_LEAK_SHARE: Final = 0.01
"""Where neither pole shows more than this share of the pack's voltage, a meter of 10 megohm has found nothing below
980 megohm (plain circuit theory): no resistor is needed."""
LIKELY_JOINED_SHARE: Final = 0.9
CONNECTED: Final = "-connected"
METER: Final = (
    "Use a voltmeter of at least 10 megohm (an ordinary digital one), set to DC volts, its leads rated for the pack."
)
HANDS_OFF: Final = "Touch neither frame nor pole while you measure."
BARE_METAL: Final = (
    "On paint or rust the meter reads zero, and that proves nothing: between two bare spots of the frame, "
    "the ohmmeter must read below 1 ohm."
)


def fmt_ohm(ohm: float, digits: int = 2) -> str:
    """Return a resistance with two significant digits, or so many: ``31 kohm``."""
    for scale, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= 0.995 * scale:
            return f"{float(f'{ohm / scale:.{digits}g}'):.6g} {unit}"
    return f"{float(f'{ohm:.{digits}g}'):.6g} ohm"


def _a_volt(ohm: float, volts: float) -> str:
    """Return insulation as its bounds are stated: ``6.11 kohm/V``."""
    return f"{fmt_ohm(ohm / volts, 3)}/V"


def higher_pole(readings: Readings, run: str = "") -> int | None:
    """Return which pole reads higher to the frame, as its place in :data:`POLES`; None where one is not measured."""
    both = [readings.get(f"frame-to-{pole}{run}", math.nan) for pole in POLES]
    return None if any(math.isnan(volts) for volts in both) else int(both[1] > both[0])


def wanted_ohm_per_v(readings: Readings, run: str) -> float:
    """Return the least insulation, ohm per volt: the AC bound with everything connected unless the motor is DC."""
    is_dc = answer(readings, "ac-controller") == 0
    return AC_OHM_PER_V if run and not is_dc else DC_OHM_PER_V


def frame_is_return(_: Machine, readings: Readings) -> str:
    """Return why insulation is not measured on a machine whose frame carries the return current."""
    return "the frame is the return conductor by design" if answer(readings, "frame-return") == 1 else ""


def no_resistor(run: str, machine: Machine, readings: Readings) -> str:
    """Return why the measurement with a resistor does not apply; empty where it does or is not known yet."""
    if why := frame_is_return(machine, readings):
        return why
    needed = {"rested-voltage": "the open-circuit voltage"} | {
        f"frame-to-{pole}{run}": f"the {pole} pole" for pole in POLES
    }
    for name, what in needed.items():
        if math.isnan(readings.get(name, 0.0)):
            return f"{what} was not measured"
    pole = higher_pole(readings, run)
    if pole is None:
        return ""
    highest = readings[f"frame-to-{POLES[pole]}{run}"]
    if highest <= NO_LEAK_SHARE * pack_voltage(machine, readings):
        return "neither pole shows a voltage to the frame, so there is no leak to measure"
    return ""


def found_insulation(readings: Readings, run: str) -> Insulation | None:
    """Return the insulation that the readings of a run give; None where they do not."""
    pole, whole = higher_pole(readings, run), readings.get("rested-voltage", math.nan)
    if pole is None or math.isnan(whole):
        return None
    before = readings[f"frame-to-{POLES[pole]}{run}"]
    if before <= NO_LEAK_SHARE * whole:
        return Insulation(math.inf, METER_OHM * (1.0 / NO_LEAK_SHARE - 2.0))
    resistor, after = resistor_ohm(readings, run), readings.get(f"insulation-voltage{run}", math.nan)
    if math.isnan(resistor) or math.isnan(after):
        return None
    return insulation_resistance(whole, before, max(after, 0.0), resistor)


def resistor_ohm(readings: Readings, run: str) -> float:
    """Return R0 of this run, else of the run before, ohm; NaN where neither is known."""
    before = readings.get("insulation-resistor", math.nan)
    return readings.get(f"insulation-resistor{run}", before)


def _resistor_known(run: str, machine: Machine, readings: Readings) -> str:
    if run and not math.isnan(readings.get("insulation-resistor", math.nan)):
        return "R0 is known from the pack alone"
    return no_resistor(run, machine, readings)


def _expect_stray(machine: Machine, readings: Readings) -> Expectation:
    high = round(pack_voltage(machine, readings), 1)
    return Expectation(0.0, high, "no voltage here is a fault by itself; the resistor decides")


def _judge_stray(pole: int, run: str, machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge the voltage between one pole and the frame, by the meter alone."""
    whole = pack_voltage(machine, readings)
    other = readings.get(f"frame-to-{POLES[1 - pole]}{run}", math.nan)
    most = whole * (1 + 2 * METER_SHARE) + 2 * METER_V
    is_measured = not math.isnan(readings.get("rested-voltage", math.nan))
    if volts > most and is_measured:
        return Judgement(
            "again", f"{volts:.1f} V is more than the pack's {whole:.1f} V.", "Check range and decimal point."
        )
    if pole == 1 and volts + other > most and is_measured:
        return Judgement(
            "again",
            f"{volts:.1f} V and {other:.1f} V add up to more than the pack's {whole:.1f} V, so one of them is wrong.",
            "Measure again; type back if it is the one before.",
        )
    if volts >= LIKELY_JOINED_SHARE * whole:
        return Judgement(
            "caution",
            f"{volts:.1f} V is nearly the whole pack. That is no fault by itself: a 10 megohm meter shows it through"
            " megohms of dirt.",
            f"Until the resistor shows otherwise, treat the {POLES[1 - pole]} pole as joined to the frame: a tool"
            f" from the {POLES[pole]} pole to the frame would short the pack.",
        )
    if volts > NO_LEAK_SHARE * whole:
        return Judgement(
            "ok",
            "A stray voltage read with a 10 megohm meter alone is no fault: megohms of dirt are enough for it. The"
            " resistor decides.",
        )
    return Judgement("ok", "Nothing to the frame from this pole.")


def _resistor_text(machine: Machine, readings: Readings) -> str:
    volts = pack_voltage(machine, readings)
    low, high = resistor_range(volts)
    return (
        f"Use a resistor R0 of {fmt_ohm(low)} to {fmt_ohm(high)} (100 to 500 ohm a volt), rated for at least"
        f" {_watts(volts, low)} at the low end or {_watts(volts, high)} at the high end"
        " (Vb²/R0), with insulated clips. Measure it with the ohmmeter while it is connected to nothing."
    )


def _watts(pack_v: float, ohm: float) -> str:
    """Return the rating that R0 needs at least, rounded up to a tenth of a watt."""
    return f"{math.ceil(10 * resistor_watts(pack_v, ohm)) / 10:.1f} W"


def _expect_resistor(machine: Machine, readings: Readings) -> Expectation:
    low, high = resistor_range(pack_voltage(machine, readings))
    return Expectation(round(low), round(high), "100 to 500 ohm for each volt of the pack")


def _judge_resistor(machine: Machine, readings: Readings, ohm: float) -> Judgement:
    volts = pack_voltage(machine, readings)
    low, high = resistor_range(volts)
    if not (1 - RESISTOR_TOLERANCE) * low <= ohm <= (1 + RESISTOR_TOLERANCE) * high:
        return Judgement(
            "again",
            f"{fmt_ohm(abs(ohm))} does not suit {volts:.1f} V.",
            f"Use one of {fmt_ohm(low)} to {fmt_ohm(high)}; type 10k for 10 kohm.",
        )
    return Judgement("ok", f"It must be rated for {_watts(volts, ohm)} or more.")


def _pole_text(run: str, _: Machine, readings: Readings) -> str:
    pole = higher_pole(readings, run)
    start = "Clip R0 to the frame first, then by an insulated clip to"
    if pole is None:
        return f"{start} the pole that reads HIGHER to the frame, and to no other."
    return f"{start} the {POLES[pole]} pole: it reads higher. On the other pole it would give a false all-clear."


def _expect_pole(run: str, _: Machine, readings: Readings) -> Expectation | None:
    pole = higher_pole(readings, run)
    return None if pole is None else Expectation(pole, pole, f"{POLES[pole]}, the pole that reads higher")


def _judge_pole(run: str, _: Machine, readings: Readings, given: float) -> Judgement:
    pole = higher_pole(readings, run)
    if pole is not None and given != pole:
        return Judgement(
            "again",
            f"That is the wrong pole: the {POLES[pole]} pole reads higher. On the other one the resistor measures the"
            " better insulation and gives a false all-clear.",
            f"Move the resistor to the {POLES[pole]} pole, then answer again.",
        )
    return Judgement("ok", "That is the pole that reads higher.")


def _leak_text(run: str, _: Machine, readings: Readings) -> str:
    pole = higher_pole(readings, run)
    where = "that pole" if pole is None else f"the {POLES[pole]} pole"
    return f"Measure from the frame to {where} again, R0 still connected. Then disconnect R0, the pole's clip first."


def _expect_leak(run: str, _: Machine, readings: Readings) -> Expectation | None:
    """Return the readings that prove the least insulation."""
    pole, resistor = higher_pole(readings, run), resistor_ohm(readings, run)
    if pole is None or math.isnan(resistor):
        return None
    before, wanted = readings[f"frame-to-{POLES[pole]}{run}"], wanted_ohm_per_v(readings, run)
    most = math.floor(10 * highest_reading(before, resistor, wanted)) / 10
    return Expectation(0.0, max(most, 0.0), f"lower is better; it proves {wanted:.0f} ohm/V or more")


def _judge_leak(run: str, machine: Machine, readings: Readings, volts: float) -> Judgement:
    """Judge V1', the voltage at the pole that reads higher with the resistor from it to the frame."""
    pole, resistor = higher_pole(readings, run), resistor_ohm(readings, run)
    given = answer(readings, f"insulation-pole{run}")
    if pole is None or math.isnan(resistor) or given is None:
        return Judgement("skipped", "Without R0, its pole and both readings before it, this says nothing.")
    whole, before = pack_voltage(machine, readings), readings[f"frame-to-{POLES[pole]}{run}"]
    if given != pole or rose(before, volts):
        return Judgement(
            "again",
            f"Refused: {volts:.1f} V with R0, {before:.1f} V without. R0 or the meter is on the wrong pole; that"
            " gives a false all-clear.",
            f"Connect R0 from the {POLES[pole]} pole to the frame, and measure between the same two.",
        )
    found, wanted = insulation_resistance(whole, before, max(volts, 0.0), resistor), wanted_ohm_per_v(readings, run)
    whom = "with everything connected" if run else "of the pack"
    size = f"at least {fmt_ohm(found.least_ohm)}" if math.isinf(found.ohm) else fmt_ohm(found.ohm)
    each = _a_volt(found.least_ohm if math.isinf(found.ohm) else found.ohm, whole)
    said = f"Insulation {whom}: {size}, {each}; {wanted:.0f} ohm/V is the least"
    if found.least_ohm >= wanted * whole:
        return Judgement("ok", f"{said}.")
    if found.ohm >= wanted * whole:
        return Judgement(
            "caution",
            f"{said}. The errors of meter and resistor leave {_a_volt(found.least_ohm, whole)} possible.",
            "Measure again with R0 near the high end, or have it measured with an insulation tester.",
        )
    return Judgement(
        "stop",
        f"{said}. Something leaks from the {POLES[1 - pole]} pole to the frame: dirt, damp, a chafed cable,"
        " a converter, brush dust in the motor.",
        "Do not power the machine. Disconnect the pack, unplug loads one after another, clean, and measure again.",
    )


def insulation_steps(run: str, where: str) -> tuple[Step, ...]:
    """Return the steps of one run.

    Args:
        run: the end of their names: empty for the pack alone, :data:`CONNECTED` with everything connected.
        where: what has to be connected, a sentence.

    """
    with_all = ", all connected" if run else ""

    def stray(pole: int) -> Step:
        red, black = (
            ("the positive pole", "bare metal of the frame") if pole == 0 else ("the frame", "the negative pole")
        )
        return Step(
            name=f"frame-to-{POLES[pole]}{run}",
            title=f"Insulation{with_all}: frame to {POLES[pole]} pole",
            cautions=((WHEELS_UP,) if run else ()) + (METER, BARE_METAL, HANDS_OFF),
            what=text(f"{where} Red lead on {red}, black on {black}. Wait ten seconds."),
            unit="V",
            question="What does the meter read?",
            expect=_expect_stray,
            judge=lambda machine, readings, volts: _judge_stray(pole, run, machine, readings, volts),
            help="A reading that falls towards zero only charges the frame's capacitance; type the one that stays.",
            live=True,
            why_not=frame_is_return,
        )

    def why_not(machine: Machine, readings: Readings) -> str:
        return no_resistor(run, machine, readings)

    resistor = Step(
        name=f"insulation-resistor{run}",
        title=f"Insulation{with_all}: the resistor R0",
        what=_resistor_text,
        unit="ohm",
        question="What is its resistance?",
        expect=_expect_resistor,
        judge=_judge_resistor,
        help="With it connected the pack itself drives the leak, so that the meter's own resistance drops out.",
        wrong=lambda machine: (10 * machine.pack.nominal_v,),
        live=True,
        why_not=lambda machine, readings: _resistor_known(run, machine, readings),
    )
    pole = Step(
        name=f"insulation-pole{run}",
        title=f"Insulation{with_all}: the resistor's pole",
        cautions=("R0 can get hot if the other pole is joined to the frame: clip it on, step back, do not hold it.",),
        what=lambda machine, readings: _pole_text(run, machine, readings),
        choices=POLES,
        question="Which pole is R0 on?",
        expect=lambda machine, readings: _expect_pole(run, machine, readings),
        judge=lambda machine, readings, given: _judge_pole(run, machine, readings, given),
        help="The higher reading belongs to the pole that leaks less. R0 on it measures the leak of the other pole.",
        unknown="write both readings above and use the pole that reads higher",
        live=True,
        why_not=why_not,
    )
    leak = Step(
        name=f"insulation-voltage{run}",
        title=f"Insulation{with_all}: the voltage with the resistor",
        what=lambda machine, readings: _leak_text(run, machine, readings),
        unit="V",
        question="What does the meter read now?",
        expect=lambda machine, readings: _expect_leak(run, machine, readings),
        judge=lambda machine, readings, volts: _judge_leak(run, machine, readings, volts),
        help="Ri = R0 (Vb / V1' - Vb / V1), V1 the higher reading before, V1' this one (UN Regulation No. 100). At"
        " least 100 ohm a volt; 500 with an AC controller connected.",
        unknown="Ri = R0 (Vb / V1' - Vb / V1), V1 the higher reading, V1' this one; at least 100 ohm for each volt"
        " of Vb, 500 with an AC controller connected",
        live=True,
        why_not=why_not,
    )
    return stray(0), stray(1), resistor, pole, leak
