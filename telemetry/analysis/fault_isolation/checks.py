"""What to measure next, what was not recorded, and what the recorded signals can tell apart.

The checks are common practice of the trade; the cautions come first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from telemetry.analysis.fault_isolation.drive import Evidence
from telemetry.analysis.fault_isolation.findings import Cause
from telemetry.machine.cautions import JOINT_DROP, JOINT_HEAT, JOINT_WORK

CAUTION = (
    "Before measuring: driven wheels off the ground on stands, nobody in front or behind, rings and watch off, "
    "insulated tools. Above 60 V DC a touch can kill. Never bypass a fuse, an interlock or the BMS. Where in "
    "doubt, leave it to a licensed person."
)
_CHECKS: Mapping[Cause, tuple[str, ...]] = {
    "healthy": (
        (
            "Nothing to measure. If it hesitated during this drive, note when. If it did not, record a drive in "
            "which it does."
        ),
    ),
    "pedal-sensor": (
        (
            "Motor off, wheels up: read the throttle signal on a meter while you press very slowly, twice. It must"
            " climb without a jump or a gap (`shakedown watch --bench throttle` draws it)."
        ),
        (
            "Unplug the throttle and look for green or loose pins. Measure the wiper with an ohmmeter: it must not"
            " go open anywhere."
        ),
    ),
    "controller": (
        (
            "Clip a meter to the enable line at the controller, key off; then watch it while it hesitates: it must"
            " stay at full voltage. If it drops, follow it back through key, seat and brake switch before you buy "
            "anything."
        ),
        "Count the blinks of the controller's lamp right after an event and look the code up in its sheet.",
        (
            "Read the controller's temperature by its display or an infrared thermometer, never by hand: a "
            "fold-back by heat comes after tens of minutes and goes after a rest."
        ),
    ),
    "power-connection": (
        (
            "Key off, pack disconnected (cell joints stay live all the same): look at every lug, fuse, contactor "
            "and connector between pack and controller for heat marks and loose nuts."
        ),
        *JOINT_WORK[1:],
        f"Right after a drive, key off: {JOINT_HEAT[0].lower()}{JOINT_HEAT[1:]}",
        f"{JOINT_DROP} Below 0.2 milliohm (2 mV at 10 A) a joint is good; a bad one has several times as much.",
    ),
    "pack-weak": (
        (
            "Charge fully, rest an hour, and read every cell voltage from the BMS at rest; read them again from "
            "the recording under the load that stopped it. One cell far below the others is a weak cell; all of "
            "them low is a pack that is empty or too small."
        ),
        "Compare the ampere-hours taken out since full with the rated ones (`shakedown report`).",
    ),
    "bms-trip": (
        (
            "Read from the BMS why it tripped last, and its current limit with delay. Compare with the peak "
            "current here. Lower the controller's battery current below that limit; do not raise the limit."
        ),
        (
            "Where it tripped against regenerative braking: repeat at 80 % charge with a warm pack; it should not "
            "trip then."
        ),
    ),
    "mechanical-drag": (
        (
            "Key off, pack disconnected, wheels up: each wheel must turn by hand and run on. Then coast on level "
            "ground both ways from walking speed: a free machine rolls several metres."
        ),
        (
            "After five minutes of driving, parked and key off, compare hubs and brake drums by infrared "
            "thermometer, never by hand: the one that drags is hotter."
        ),
    ),
}
_WORTH: Mapping[str, str] = {
    "throttle_voltage": (
        "throttle_voltage (at 10 Hz or faster): tells the foot and the pedal's sensor from all that follows"
    ),
    "pack_current": ("pack_current: without it no part behind the pedal can be judged"),
    "controller_voltage": ("controller_voltage: sees the connector, fuse and contactor that pack_voltage does not"),
    "discharge_allowed": ("discharge_allowed: tells the pack's own switch from an opening in the path"),
    "vehicle_speed": ("vehicle_speed: tells a controller's cut from the foot, and drag from hills"),
    "enable_voltage": ("enable_voltage: tells the controller from the seat, brake or key switch that enables it"),
    "cell_min_voltage": ("cell voltages: tell a weak cell from an empty pack"),
}


def next_checks(named: Cause, order: Sequence[Cause], chances: Mapping[Cause, float]) -> Iterator[str]:
    """Yield what to measure next, the most useful first; for the second likely part too where it is a near thing."""
    if named != "healthy":
        yield CAUTION
    yield from _CHECKS[named]
    for other in order:
        if other not in (named, "healthy") and chances[other] >= 0.15:
            yield _CHECKS[other][0]


def missing_signals(drive: Evidence) -> Iterator[str]:
    """Yield the signals that were not recorded and what each would settle."""
    for name, worth in _WORTH.items():
        if drive.get(name) is None:
            yield worth


def told_apart(drive: Evidence) -> Iterator[str]:
    """Yield what the recorded signals can and cannot tell apart."""
    pedal, current = drive.get("throttle_voltage") is not None, drive.get("pack_current") is not None
    if not current and not pedal:
        return
    if not pedal:
        yield "without the pedal, a lifted foot, a pedal's drop-out and a controller's cut look the same"
    if not current:
        yield "without the current, only the pedal's signal itself can be judged"
    if current and drive.get("vehicle_speed") is None:
        yield "without the speed, drag, hills and load look the same"
    if current and drive.get("discharge_allowed") is None:
        yield "without the pack's switch, its opening is known only by the wait that follows"
    if current and drive.get("controller_voltage") is None:
        yield "without the controller's own voltage, a bad connection and an open fuse show only in the current"
    if current and drive.get("cell_min_voltage") is None:
        yield "without cell voltages, one weak cell and an empty pack end alike"
