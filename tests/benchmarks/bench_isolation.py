"""How often the isolator is right over simulated drives, how honest its probabilities are, and how long it takes.

``python -m tests.benchmarks.bench_isolation FIRST_SEED LAST_SEED [--other]`` drives every cause once with each seed,
on the machines of ``drivers.simulated`` or, with ``--other``, on those of the second simulator (``tests.reference``).
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from drivers.simulated.drives import FEW, faulty_drive
from telemetry.analysis.fault_isolation.findings import CAUSES, Isolation
from telemetry.analysis.fault_isolation.isolate import isolate
from telemetry.analysis.series import SessionSeries, read_series
from tests.reference.other_drives import other_drive

BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.0001)
NEAR_S = 0.3


def drives(first: int, last: int, other: bool) -> Iterator[tuple[str, SessionSeries, list[float]]]:
    """Yield cause, recording and the times of the events."""
    for seed in range(first, last + 1):
        for cause in CAUSES:
            if other:
                driven = other_drive(cause, seed)
                yield cause, driven.series(), [t for t, _, _ in driven.events]
            else:
                drive = faulty_drive(cause, seed)
                yield cause, read_series(drive.recording(FEW)), [event.t for event in drive.events]


class Score:
    """What is counted over the drives."""

    def __init__(self) -> None:
        self.judged: Counter[tuple[str, str]] = Counter()
        self.events: Counter[str] = Counter()
        self.hits: Counter[str] = Counter()
        self.false: Counter[str] = Counter()
        self.stated: list[tuple[float, bool]] = []
        self.brier: list[float] = []
        self.logarithm: list[float] = []
        self.seconds: list[float] = []

    def add(self, cause: str, found: Isolation, times: list[float], seconds: float) -> None:
        """Count one drive."""
        chance = {each.cause: each.probability for each in found.ranked}
        self.seconds.append(seconds)
        self.judged[cause, found.cause] += 1
        self.brier.append(sum((chance[each] - (each == cause)) ** 2 for each in CAUSES))
        self.logarithm.append(-float(np.log(max(chance[cause], 1e-6))))
        self.stated += [(chance[each], each == cause) for each in CAUSES]
        self.events[cause] += len(times)
        self.hits[cause] += sum(any(abs(event.t - t) <= NEAR_S for event in found.events) for t in times)
        self.false[cause] += sum(all(abs(event.t - t) > NEAR_S for t in times) for event in found.events)

    def tell(self) -> None:
        """Print the table of truth against judgement, the scores, the calibration and the time."""
        for cause in CAUSES:
            row = ", ".join(f"{name} {self.judged[cause, name]}" for name in CAUSES if self.judged[cause, name])
            events = f"{self.hits[cause]} of {self.events[cause]}, beside {self.false[cause]}"
            print(f"{cause:17} judged {row}; events {events}")
        right = sum(self.judged[cause, cause] for cause in CAUSES)
        print(f"right {right} of {self.judged.total()}; events {self.hits.total()} of {self.events.total()}")
        print(f"Brier {np.mean(self.brier):.3f}; log score {np.mean(self.logarithm):.3f}")
        print(f"seconds a drive of 3 min: {np.mean(self.seconds):.2f}, at the most {max(self.seconds):.2f}")
        for low, high in pairwise(BINS):
            came = [true for chance, true in self.stated if low <= chance < high]
            if came:
                print(f"stated {low:.2f} to {min(high, 1):.2f}: true {np.mean(came):.2f} of {len(came)}")


def main(first: int, last: int, other: bool) -> None:
    """Judge the drives and tell."""
    score = Score()
    for cause, series, times in drives(first, last, other):
        begun = time.process_time()
        found = isolate(series)
        score.add(cause, found, times, time.process_time() - begun)
    score.tell()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), "--other" in sys.argv)
