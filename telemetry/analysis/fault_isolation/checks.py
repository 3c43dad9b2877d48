"""What to measure next, what was not recorded, and which parts a drive could show a fault of.

The checks are common practice of the trade; the cautions come first.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

from telemetry.analysis.cell_findings import OddCell
from telemetry.analysis.fault_isolation.drive import Drive
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.machine.cautions import JOINT_DROP, JOINT_HEAT, JOINT_WORK

_WORTH_A_CHECK = 0.15  # chance from which a cause that is not named gets its check too; ours
CAUTION = (
    "Before measuring: driven wheels off the ground on stands, nobody in front or behind, rings and watch off, "
    "insulated tools. Above 60 V DC a touch can kill. Never bypass a fuse, an interlock or the BMS. Where in "
    "doubt, leave it to a licensed person."
)
_PARTED = "\n\n"
_CHECKS: Mapping[Cause, str] = {
    "healthy": """
Nothing to measure. If it hesitated during this drive, note when. If not, record a drive in which it does.
""",
    "pedal-sensor": """
Motor off, wheels up: read the throttle signal on a meter while you press very slowly, twice. It must rise without a
jump or a gap (`shakedown watch --bench throttle` draws it).

Unplug the throttle and look for green or loose pins. Measure the wiper with an ohmmeter: there must be no open
circuit anywhere in its travel.
""",
    "controller": """
Key off, clip a meter to the enable line at the controller. Watch it while the machine hesitates: it must stay at full
voltage. If it drops, trace it back through key, seat and brake switch before you buy anything.

Count the blinks of the controller's lamp right after an event and look up the fault code in its manual.

Read the controller's temperature on its display or with an infrared thermometer, never by hand. Thermal fold-back
starts after tens of minutes and ends after a rest.
""",
    "power-connection": f"""
Key off, pack disconnected (cell joints stay live even then): check every lug, fuse, contactor and connector between
pack and controller for heat marks and loose nuts.

{_PARTED.join(JOINT_WORK[1:])}

Right after a drive, key off: {JOINT_HEAT[0].lower()}{JOINT_HEAT[1:]}

{JOINT_DROP} Below 0.2 milliohm (2 mV at 10 A) a joint is good; a bad joint has several times as much.
""",
    "pack-weak": """
Charge fully, rest an hour, and read every cell voltage from the BMS. Then read them in the recording, under the load
that stopped the machine. One cell far below the others is a weak cell. If all are low, the pack is empty or too
small.

Compare the ampere-hours drawn since full charge with the rated capacity (`shakedown report`).
""",
    "bms-trip": """
Read from the BMS why it tripped last, and its current limit with its delay. Compare with the peak current here. Set
the controller's battery current below that limit; do not raise the limit.

If it tripped during regenerative braking, repeat at 80 % charge with a warm pack; it should not trip then.
""",
    "mechanical-drag": """
Key off, pack disconnected, wheels up: each wheel must turn freely by hand. Then coast down on level ground both ways
from walking speed: a free machine rolls several metres.

After 5 min of driving, parked with the key off, compare hubs and brake drums with an infrared thermometer, never by
hand: the dragging one is hotter.
""",
}
"""By cause; a blank line parts them."""
_WORTH: Mapping[str, str] = {
    "throttle_voltage": (
        "throttle_voltage at 10 Hz or faster: shows whether the driver, the throttle sensor or a later part failed"
    ),
    "pack_current": "pack_current: without it no part behind the throttle can be judged",
    "controller_voltage": "controller_voltage: shows connector, fuse and contactor, which pack_voltage does not",
    "discharge_allowed": "discharge_allowed: tells a BMS trip from an open circuit",
    "vehicle_speed": "vehicle_speed: tells a controller cut-out from a lifted throttle, and drag from hills",
    "enable_voltage": "enable_voltage: tells the controller from the seat, brake or key switch that enables it",
    "cell_min_voltage": "cell voltages: tell a weak cell from an empty pack",
}


def next_checks(
    named: Cause, order: Sequence[Cause], chances: Mapping[Cause, float], missing: Sequence[str] | None = None
) -> Iterator[str]:
    """Yield what to do next, the most useful first; for the second likely part too where it is close.

    Where it is not known which part it is, what to record comes first: the first of ``missing``.
    """
    if named != "healthy":
        yield CAUTION
    if named != "healthy" or missing is None:
        yield from _checks(named)
    else:
        yield f"Record {next(iter(missing), 'three minutes with stops, hard starts and steady driving')}."
    for other in order:
        if other not in (named, "healthy") and chances[other] >= _WORTH_A_CHECK:
            yield _checks(other)[0]


def _checks(cause: Cause) -> list[str]:
    return [" ".join(check.split()) for check in _CHECKS[cause].split(_PARTED)]


_OF_CELL = {
    "high-resistance": "Have the joints of cell {} checked first, then the cell. Cell joints stay live with the key "
    "off: leave work on them to somebody trained, by the pack maker's sheet.",
    "low-charge": "Charge fully and let the pack balance, then see whether cell {} still lags.",
    "low-capacity": "Drive to near empty and charge fully in one recording to confirm the capacity of cell {}; until "
    "then, recharge early, for this cell empties first.",
    "unknown": "Record a drive to near empty and a full charge: they show why cell {} stands out.",
}


def cell_checks(odd: Sequence[OddCell]) -> Iterator[str]:
    """Yield what to do about each cell that stands out."""
    for each in odd:
        yield _OF_CELL[each.cause].format(each.cell)


def missing_signals(usable: Collection[str]) -> Iterator[str]:
    """Yield the signals that were not recorded and what each would show."""
    for name, worth in _WORTH.items():
        if name not in usable:
            yield worth


_CUT_S, _JOINT_S = 0.25, 0.25
"""Slower readings miss a cut of half a second, and the wobble of a joint."""


def _within(drive: Drive, most_s: float, *names: str) -> bool:
    """Tell whether all of these signals came at least so often."""
    return all(drive.interval_s.get(name, most_s + 1) <= most_s for name in names)


_NEEDS: Mapping[Cause, tuple[Callable[[Observations], bool], str]] = {
    "pedal-sensor": (lambda o: o.pedal is not None, "throttle_voltage at 10 Hz or faster"),
    "controller": (
        lambda o: o.response is not None and _within(o.drive, _CUT_S, "throttle_voltage"),
        "throttle_voltage and pack_current together at 5 Hz or faster while the machine drives",
    ),
    "power-connection": (
        lambda o: o.path is not None and _within(o.drive, _JOINT_S, "controller_voltage"),
        "controller_voltage at 5 Hz or faster, and a changing current",
    ),
    "pack-weak": (lambda o: o.drive.supply is not None and bool(o.usable.any()), "voltage and pack_current"),
    "bms-trip": (
        lambda o: o.drive.get("discharge_allowed") is not None or _within(o.drive, _JOINT_S, "controller_voltage"),
        "discharge_allowed, or controller_voltage at 5 Hz or faster",
    ),
    "mechanical-drag": (
        lambda o: o.force is not None,
        "throttle, current, voltage and speed for 15 s and more under power",
    ),
}
"""For each cause whether what was seen can show it, and what that takes."""


def covered(parts: Sequence[Observations]) -> tuple[Cause, ...]:
    """Return the causes that at least one piece of the drive could show."""
    return tuple(cause for cause in CAUSES if cause in _NEEDS and any(_NEEDS[cause][0](part) for part in parts))


def not_covered(known: Sequence[Cause]) -> dict[Cause, str]:
    """Return what it takes to judge each of the other causes."""
    return {cause: why for cause, (_, why) in _NEEDS.items() if cause not in known}
