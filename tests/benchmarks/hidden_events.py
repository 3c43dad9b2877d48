"""Which failures of a worn throttle are hidden in what the foot does, by the simulators' truth.

``python -m tests.benchmarks.hidden_events [FIRST LAST]`` drives each seed's worn throttle anew, keeps beside every
reading what it would have been without the fault, and counts the events that are found among hidden and plain ones.
An event is hidden where its largest effect at the instants read, share of travel, is less than what the foot and the
ground move the true throttle unforeseen in 3 of 100 readings under load, or where no reading fell into it.
"""

from __future__ import annotations

import sys
from collections import Counter
from typing import Any

import numpy as np

from drivers.simulated.faults.machine import PedalSensorFault
from telemetry.analysis.fault_isolation.isolate import isolate
from tests.reference import other_faults
from tests.reference.drives import faulty_drive
from tests.reference.isolation_drives import SIGNAL_SETS, KeptDrive, kept_drive
from tests.reference.other_drives import other_drive

GOES_ON, FAST, PRESSED = 0.7, 0.12, 0.03  # as telemetry.analysis.fault_isolation.foot_path foresees a foot
UNFORESEEN = 0.97
BEFORE_ROWS, AFTER_ROWS = 1, 9  # around the event's time: the simulators' longest lasts 0.4 s but for jitter
SEEN: list[tuple[float, float]] = []
"""What the throttle would read, and what it reads, at each step of the latest drive."""
_PLAIN = PedalSensorFault.pedal_voltage


def watched_voltage(fault: PedalSensorFault, volts: float) -> float:
    """Return what the first simulator's wiper picks up, and keep it."""
    if not hasattr(fault, "watched"):  # of several attempts the last one counts
        fault.watched = True  # type: ignore[attr-defined]
        SEEN.clear()
    SEEN.append((volts, _PLAIN(fault, volts)))
    return SEEN[-1][1]


def watched_set_up(machine: Any) -> None:
    """Set up the second simulator's fault so that it keeps what it makes of each reading."""
    other_faults.pedal_sensor(machine)
    SEEN.clear()
    act = machine.fault.pedal

    def pedal(travel: float) -> float:
        SEEN.append((travel, act(travel)))
        return SEEN[-1][1]

    machine.fault.pedal = pedal


def effects(machine: str, seed: int, rows: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the true travel at each reading (rows,), and what the fault adds to it."""
    if machine == "varied":
        faulty_drive("pedal-sensor", seed)
    else:
        other_drive.__wrapped__("pedal-sensor", seed)
    steps = np.array(SEEN)
    true, read = steps[:: len(steps) // rows][:rows].T
    low, high = true.min(), np.quantile(true, 0.998)
    return (true - low) / (high - low), (read - true) / (high - low)


def count(machine: str, seed: int) -> Counter[str]:
    """Count the events of one drive: hidden or plain, found or not."""
    drive: KeptDrive = kept_drive(machine, "pedal-sensor", seed)
    true, effect = effects(machine, seed, len(drive.columns["throttle_voltage"]))
    speed = np.clip(np.diff(true), -FAST, FAST)
    unforeseen = np.abs(true[2:] - true[1:-1] - GOES_ON * speed[:-1])[true[2:] > PRESSED]
    least = float(np.quantile(unforeseen, UNFORESEEN))
    found = [event.t for event in isolate(drive.series(SIGNAL_SETS["all"], 20.0, 180.0)).events]
    counted: Counter[str] = Counter()
    for t in drive.events.tolist():
        row = round(t * drive.rate_hz)
        seen = np.abs(effect[max(row - BEFORE_ROWS, 0) : row + AFTER_ROWS])
        kind = "hidden" if seen.max(initial=0.0) < least else "plain"
        counted[kind] += 1
        counted[f"{kind}, found"] += any(abs(at - t) <= 0.3 for at in found)
    return counted


def main() -> None:
    """Count and tell."""
    first, last = (int(each) for each in sys.argv[1:3]) if len(sys.argv) > 1 else (4000, 4007)
    PedalSensorFault.pedal_voltage = watched_voltage  # type: ignore[method-assign, assignment]
    other_faults.FAULTS["pedal-sensor"] = watched_set_up
    for machine in ("varied", "other"):
        print(machine, dict(sum((count(machine, seed) for seed in range(first, last + 1)), Counter())), flush=True)


if __name__ == "__main__":
    main()
