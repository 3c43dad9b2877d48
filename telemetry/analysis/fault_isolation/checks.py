"""What to measure next, what was not recorded, and what the recorded signals can tell apart.

The checks are common practice of the trade; the cautions come first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from telemetry.analysis.fault_isolation.drive import Evidence
from telemetry.analysis.fault_isolation.findings import Cause

CAUTION = (
    "Before measuring: wheels off the ground on stands, nobody in front or behind, rings and watch off, insulated "
    "tools; never bypass a fuse, an interlock or the pack's own switch; where in doubt, a licensed person does it."
)
_CHECKS: Mapping[Cause, tuple[str, ...]] = {
    "healthy": (
        (
            "Nothing to measure. If it hesitated during this drive, note when; if it did not, record the drive in "
            "which it does."
        ),
    ),
    "pedal-sensor": (
        (
            "Engine off, wheels up: read the pedal's signal on a meter while pressing very slowly, twice; it must "
            "climb without a jump or a gap (`shakedown watch --bench throttle` draws it)."
        ),
        (
            "Unplug the pedal and look for green or loose pins; measure the wiper with an ohmmeter: no reading "
            "may be open."
        ),
    ),
    "controller": (
        (
            "Measure the enable line at the controller while it hesitates: it must stay at full voltage. If it "
            "drops, follow it back through key, seat and brake switch before anything is bought."
        ),
        "Count the blinks of the controller's lamp right after an event and look the code up in its sheet.",
        (
            "Feel or read the controller's temperature: a fold-back by heat comes after tens of minutes and goes "
            "after a rest."
        ),
    ),
    "power-connection": (
        (
            "Under a steady load, put a voltmeter across each joint in turn (lug to lug, both sides of fuse, "
            "contactor and connector): a good one shows below 10 mV at 50 A, a bad one tenths of a volt, jumping "
            "when it is moved."
        ),
        (
            "Current off and pack isolated: wiggle and pull each lug; look for heat marks; tighten to the maker's "
            "torque."
        ),
    ),
    "pack-weak": (
        (
            "Charge fully, rest an hour, read every cell at rest and once more under the load that stopped it: "
            "one cell far below the others is a weak cell, all of them low is an empty or too small pack."
        ),
        "Compare the ampere-hours taken out since full with the rated ones (`shakedown report`).",
    ),
    "bms-trip": (
        (
            "Read in the pack's own electronics the reason of the last opening and its current limit with delay; "
            "compare with the peak current here. Lower the controller's battery current below it; do not raise "
            "the pack's limit."
        ),
        "Where it opened against braking: repeat with the pack at 80 % and warm; it should not open then.",
    ),
    "mechanical-drag": (
        (
            "Wheels up, drive off: each wheel must turn by hand and run on; then coast on level ground in both "
            "directions from walking speed: a free machine rolls several metres."
        ),
        ("After five minutes of driving feel hubs and brake drums: the one that drags is hotter than the others."),
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
