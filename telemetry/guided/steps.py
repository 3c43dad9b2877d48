"""The steps of a guided drive, each declared once: what to do, what must be seen, figure, bounds, cautions.

Where a bound names no source it is common practice, from memory. Published tests named here are ideas, not
procedures that this program carries out: its drives meet neither their speeds nor their weather limits.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from telemetry.machine.cautions import JOINT_HEAT, MAINS, WHEELS_UP

FAST_S: Final = 0.2
"""Usual interval of 5 readings a second, s: what a step needs that is over in seconds."""
SLOW_S: Final = 1.0
"""The same of one reading a second: enough for what lasts minutes."""
SECOND_PERSON: Final = "A second person stands by who knows the emergency switch."
CLEAR: Final = "Closed, dry ground; nobody in front of it or behind it."


LED: Final = "guided drive"
"""What every mark begins with that is set while a driver is led."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A meter reading that is typed standing, and kept as the words of a mark.

    Attributes:
        name: in the mark, such as ``joint rise``.
        question: what to measure, with ``unit``.
        caution: read before it is measured.
    """

    name: str
    question: str
    unit: str
    caution: str = ""

    def mark(self, value: float) -> str:
        """Return the words of the mark that keeps it."""
        return f"{LED}: {self.name} {value:g} {self.unit}"

    def found(self, texts: Iterable[str]) -> float | None:
        """Return the last such reading among the words of marks; None where there is none."""
        head, tail = f"{LED}: {self.name} ", f" {self.unit}"
        found = [text[len(head) : -len(tail)] for text in texts if text.startswith(head) and text.endswith(tail)]
        try:
            return float(found[-1]) if found else None
        except ValueError:
            return None


JOINT_RISE: Final = Reading("joint rise", "hottest joint above the air, by infrared thermometer", "K", JOINT_HEAT)
WALL_ENERGY: Final = Reading("wall energy", "energy that the wall meter counted", "kWh")


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes:
        name: for scripts and the store.
        title: for people, a noun phrase.
        words: what stands large before the manoeuvre, and while it goes on; never a word of an alarm.
        do: what the driver does.
        seen: what the data must show.
        figure: what comes out of it.
        bounds: what counts as pass, remark and fail, with where that is from.
        cautions: read before it begins.
        signals: without these it is not judged.
        more: signals that let more be judged.
        interval_s: longest usual interval between readings of the current, s.
        wanted: how many good attempts of which part it takes; the part is empty where there is only one.
        for_season: whether the verdict for the season needs it.
        reading: what is measured by hand after it; None for nothing.
    """

    name: str
    title: str
    words: tuple[str, str]
    do: str
    seen: str
    figure: str
    bounds: str
    cautions: tuple[str, ...]
    signals: tuple[str, ...] = ("pack_current", "pack_voltage")
    more: tuple[str, ...] = ()
    interval_s: float = FAST_S
    wanted: Mapping[str, int] = field(default_factory=lambda: {"": 1})
    for_season: bool = True
    reading: Reading | None = None


STEPS: Final = (
    Step(
        "zero",
        "Zero and rest",
        ("REST", "STAY PUT"),
        "Key off for 2 minutes, then key on for 1 minute, standing, the charger unplugged.",
        "a minute of steady current (scatter below 0.2 A) with the key off, and one with the key on",
        "draw with the key off and on, noise of the current, cell voltage spread at rest",
        "key-off reading at most 0.5 % of the highest current; spread at rest 20 mV (iron phosphate), else 10 mV",
        ("Unplug the charger.",),
        more=("controller_voltage", "cell_01_voltage"),
        interval_s=SLOW_S,
        wanted={"key off": 1, "key on": 1},
    ),
    Step(
        "wheels-up",
        "Wheels off the ground",
        ("RUN IT", "KEEP ON"),
        "Run it 10 s forwards and 10 s in reverse. Then, running slowly, open each interlock in turn and press the"
        " emergency stop. Lower the wheels before the next step.",
        "between the marks 'wheels up' and 'wheels down': 10 s each way with the motor turning, and a stop at which"
        " the current ends within 0.5 s and the controller loses its supply",
        "power without load each way, time to the end of the current",
        "current ended within 0.5 s",
        (WHEELS_UP, SECOND_PERSON, "Try the mechanical brake first."),
        signals=("pack_current", "pack_voltage", "controller_voltage", "motor_speed"),
        wanted={"forwards": 1, "in reverse": 1, "stop": 1},
    ),
    Step(
        "pulls",
        "Gentle pulls",
        ("PULL AWAY", "HOLD"),
        "Six times: stand for 5 s, pull away with a quarter to half throttle, hold it 10 s, let it roll 10 s.",
        "5 s without load, then 5 A more (of a small pack 0.1 C) within 2 s, the throttle steady for 10 s",
        "internal resistance of the pack over 1 s and 10 s, of the path, and each cell's against the middle one",
        "10 s resistance at most 1.3 times the stated DC value (sheets often give the lower one at 1 kHz); path at"
        " most 1.5 times conductor and 4 joints of 0.2 mohm; highest cell at most 1.3 times the middle one, 3 times"
        " fails",
        (CLEAR, "Level, empty ground."),
        more=("throttle_voltage", "controller_voltage", "cell_01_voltage", "pack_temperature_1", "vehicle_speed"),
        wanted={"": 6},
    ),
    Step(
        "launches",
        "Full launches",
        ("LAUNCH", "HOLD"),
        "Three times, the same way: from standstill with full throttle to top speed.",
        "from standstill, full throttle for 2 s or longer; three peaks within 10 % of each other",
        "peak current, lowest voltage, voltage predicted at 20 % charge",
        "peak at most 0.9 of the pack's; predicted voltage 3 % above the controller's minimum; no BMS trip",
        (
            CLEAR,
            "Straight, dry, level, with run-out of at least twice the stopping distance. No passengers.",
            "Wear a seat belt only with roll-over protection.",
        ),
        more=("throttle_voltage", "vehicle_speed", "discharge_allowed"),
        wanted={"": 3},
    ),
    Step(
        "climb",
        "Longest climb",
        ("CLIMB", "KEEP ON"),
        "Twice: the longest usual climb with the implement, a minute or longer.",
        "60 s or longer at more than 1.5 times the usual driving current",
        "steady current of each part over its own time constant, end temperature of the pack",
        "each part's current at most its rating; pack at most 45 °C; a joint more than 30 K above the air fails",
        (CLEAR, "Never drive across the slope."),
        more=("pack_temperature_1", "controller_voltage"),
        interval_s=SLOW_S,
        wanted={"": 2},
        reading=JOINT_RISE,
    ),
    Step(
        "coast-down",
        "Coast-down",
        ("SPEED UP", "ROLL"),
        "Three pairs on one stretch, there and back: from top speed let it roll to near standstill.",
        "no load, the speed falling all the time to half or less for 3 s or longer, in six readings or more; the runs"
        " of a pair in opposite directions",
        "rolling resistance over weight, from the mean of both directions",
        "0.015 to 0.09 (hard ground 0.015 to 0.035, turf 0.04 to 0.09); directions differ by at most 0.06, pairs by"
        " 0.01; the idea of paired runs is that of SAE J1263 and ISO 10521-1, from memory",
        (
            CLEAR,
            "Never in neutral downhill. Skip this if the machine brakes by itself when the throttle is released.",
        ),
        signals=("pack_current", "vehicle_speed"),
        more=("latitude", "longitude"),
        wanted={"": 6},
    ),
    Step(
        "braking",
        "Electric braking",
        ("SPEED UP", "EASE DOWN"),
        "At 60 to 90 % charge, before launches and climbs: four stops by electric braking, gently: from walking pace,"
        " from half speed, and two from 80 % of top speed.",
        "current into the pack for 0.5 s or longer, and then standstill, twice, once from 80 % of top speed (at"
        " walking pace the motor's losses may take all)",
        "highest current into the pack, highest voltage, share of kinetic energy returned",
        "current up to the pack's charge rating; voltage 2 % below the high cut-off; pack 3 °C above its cold limit",
        (CLEAR, "Prove the mechanical brake first; keep 20 m clear ahead."),
        signals=("pack_current", "pack_voltage", "vehicle_speed"),
        more=("pack_temperature_1", "controller_voltage", "charge_allowed"),
        wanted={"": 2},
    ),
    Step(
        "implement",
        "Implement on and off",
        ("SWITCH", "KEEP ON"),
        "Switch the implement on for 5 s and off, three times standing and twice driving.",
        "implement_engaged, or marks 'implement on' and 'implement off', and a higher current while it is on",
        "start peak, running power, lowest controller voltage",
        "start peak at most 0.9 of the pack's; controller 5 % above its minimum",
        ("Nobody within throwing distance of the implement.", CLEAR),
        signals=("pack_current", "pack_voltage"),
        more=("implement_engaged", "controller_voltage", "vehicle_speed"),
        wanted={"standing": 3, "driving": 2},
    ),
    Step(
        "work",
        "Usual work",
        ("WORK", "KEEP ON"),
        "Half an hour of usual work, or a quarter of the charge; then stand for 2 minutes.",
        "30 minutes or 25 % of the charge, moving for more than 70 % of the time",
        "energy per hour, kilometre and hectare, hours on a charge, end temperature of the pack",
        "pack at most 45 °C at the end",
        (CLEAR, "Watch where you are going, not the screen."),
        more=("vehicle_speed", "latitude", "longitude", "pack_temperature_1"),
        interval_s=SLOW_S,
        for_season=False,
    ),
    Step(
        "recovery",
        "Recovery at rest",
        ("REST", "STAY PUT"),
        "Key off for half an hour.",
        "30 minutes below 0.01 C, without a charger",
        "voltage after long rest, cell voltage spread at rest",
        "spread at rest as in the first step",
        (),
        more=("cell_01_voltage",),
        interval_s=SLOW_S,
        for_season=False,
    ),
    Step(
        "run-to-low",
        "Run to low",
        ("WORK", "KEEP ON"),
        "From full: usual work to the low-charge warning, on to fold-back near the shed, then key off, mark"
        " 'key off' and rest for half an hour."
        " Stop at fold-back, at the first cell's warning or at 5 %. Read the controller's own minimum in its sheet;"
        " do not drive to it.",
        "a full charge and a rest near empty in one recording",
        "usable capacity; which cell is lowest near empty; whether the BMS opened first",
        "usable capacity at least 90 % of the rated (80 % of a used pack); the BMS does not trip",
        (
            "Flat ground, a tow ready.",
            "Stop at fold-back.",
            "Tow it only as its maker says, at walking pace: a motor that is towed makes voltage, key off or not.",
        ),
        interval_s=SLOW_S,
        more=("cell_01_voltage", "discharge_allowed"),
    ),
    Step(
        "charge",
        "Charge back",
        ("PLUG IN", "KEEP ON"),
        "Charge to the end of the charger's taper, with a meter at the wall.",
        "a current into the pack that falls to half in a minute or more, and then ends",
        "how it ended, efficiency of the charger, cell imbalance at the top",
        "ends by taper and not by one cell",
        ("Pack above its cold limit. Do not leave it alone.", MAINS),
        interval_s=SLOW_S,
        reading=WALL_ENERGY,
        more=("charger_input_power", "cell_01_voltage"),
    ),
    Step(
        "close",
        "Close",
        ("MEASURE", "MEASURE"),
        "Check the torque of every joint, measure the insulation warm, briefly repeat gentle pulls and launches.",
        "an insulation reading of first-power with everything connected; the resistance measured in two sessions",
        "insulation, change of the resistance between the sessions",
        "100 ohm a volt, 500 with an AC controller (UN Regulation No. 100); resistance within 2 standard deviations",
        (
            "Disconnect the pack before you touch a joint.",
            "Above 60 V for trained persons, above 120 V for licensed ones.",
        ),
        signals=(),
        interval_s=SLOW_S,
    ),
)


def again_mark(step: Step) -> str:
    """Return the mark with which a step is led once more: its earlier attempts no longer count with the new ones."""
    return f"{LED}: {step.name.replace('-', ' ')} again"
