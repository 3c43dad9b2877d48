"""How often the isolator is right over simulated drives, how honest its probabilities are, and how long it takes.

``python tests/benchmarks/bench_isolation.py FIRST_SEED LAST_SEED`` drives every cause once with each seed.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from collections import Counter
from itertools import pairwise

import numpy as np

from drivers.simulated.drives import FEW, faulty_drive
from telemetry.analysis.fault_isolation.findings import CAUSES
from telemetry.analysis.fault_isolation.isolate import isolate
from telemetry.analysis.series import read_series

BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.0001)


def main(first: int, last: int) -> None:
    """Print the table of truth against judgement, the scores, the calibration and the time."""
    judged: Counter[tuple[str, str]] = Counter()
    events: Counter[str] = Counter()
    hits: Counter[str] = Counter()
    stated: list[tuple[float, bool]] = []
    brier, logarithm, seconds = [], [], []
    for seed in range(first, last + 1):
        for cause in CAUSES:
            drive = faulty_drive(cause, seed)
            series = read_series(drive.recording(FEW))
            begun = time.process_time()
            found = isolate(series)
            seconds.append(time.process_time() - begun)
            judged[cause, found.cause] += 1
            chance = {each.cause: each.probability for each in found.ranked}
            brier.append(sum((chance[each] - (each == cause)) ** 2 for each in CAUSES))
            logarithm.append(-np.log(max(chance[cause], 1e-6)))
            stated += [(chance[each], each == cause) for each in CAUSES]
            events[cause] += len(drive.events)
            hits[cause] += sum(any(abs(f.t - e.t) <= 0.3 for f in found.events) for e in drive.events)
    for cause in CAUSES:
        row = ", ".join(f"{name} {judged[cause, name]}" for name in CAUSES if judged[cause, name])
        print(f"{cause:17} judged {row}; events {hits[cause]} of {events[cause]}")
    right = sum(judged[cause, cause] for cause in CAUSES)
    print(f"right {right} of {judged.total()}; Brier {np.mean(brier):.3f}; log score {np.mean(logarithm):.3f}")
    print(f"seconds a drive of 3 min: {np.mean(seconds):.2f}, at the most {max(seconds):.2f}")
    for low, high in pairwise(BINS):
        came = [true for chance, true in stated if low <= chance < high]
        if came:
            print(f"stated {low:.2f} to {min(high, 1):.2f}: true {np.mean(came):.2f} of {len(came)}")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
