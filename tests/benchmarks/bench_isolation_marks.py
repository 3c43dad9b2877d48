"""How many failures the program marks while a machine drives, how many marks lie elsewhere, and what that costs.

``python -m tests.benchmarks.bench_isolation_marks [FIRST LAST] [--machines varied other third] [--rate 10]`` lets the
stage see simulated drives second by second. A failure is noted where a mark lies within a second of it, or within the
ten seconds before it, in which the program makes no other of its kind but counts on. "Shown" are the events at 100 to
1 that the same judgement finds in the whole drive after the half minute that is learnt from.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import time
from collections import Counter

import numpy as np

from telemetry.analysis.fault_isolation.findings import CAUSES
from telemetry.analysis.fault_isolation.observations import observe_events
from telemetry.analysis.fault_isolation.suspicion import FIRST_S, SAME_AFTER, Suspicion, _told
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from tests.reference.isolation_drives import SIGNAL_SETS, KeptDrive, kept_drive

WITHIN_S = 1.0
SOUND = range(100, 124)  # further sound ones, beyond the first seed


def marks_of(drive: KeptDrive, rate_hz: float) -> list[float]:
    """Return when the program marked a drive, s."""
    columns = {name: drive.columns[name] for name in SIGNAL_SETS["with-cells"] if name in drive.columns}
    rows = np.arange(0, len(drive.columns["pack_current"]), round(drive.rate_hz / rate_hz))
    t = np.round(rows * (MICROSECONDS / drive.rate_hz)).astype(np.int64)
    values = np.stack([column[rows] for column in columns.values()], axis=1)
    batch, stage, first = Batch(Group("machine", "all", tuple(columns)), t, values), Suspicion(), 0
    found: list[float] = []
    end = int(t[-1])
    for cut in (*range(MICROSECONDS, end, MICROSECONDS), end):
        stop = int(np.searchsorted(t, cut, side="right"))
        pieces = (batch.rows(first, stop),) if stop > first else ()
        found += [event.t / MICROSECONDS for event in stage.advance(Span(cut, pieces, (), final=cut == end)).events]
        first = stop
    return found


def count(machine: str, cause: str, seed: int, rate_hz: float, seconds: float) -> Counter[str]:
    """Count the marks of one drive."""
    drive, begun = kept_drive(machine, cause, seed, seconds), time.process_time()
    marks = np.array(marks_of(drive, rate_hz))
    counted = Counter(ms=round(1000 * (time.process_time() - begun)), drives=1, marks=len(marks))
    whole = _told(observe_events(drive.series(SIGNAL_SETS["with-cells"], rate_hz, seconds)))
    shown = [t / MICROSECONDS for t, _ in whole if t > FIRST_S * MICROSECONDS]
    for kind, times in (("events", drive.events.tolist()), ("shown", shown)):
        for t in times:
            since = t - marks
            counted[kind] += 1
            counted[f"{kind}, within 1 s"] += bool((np.abs(since) <= WITHIN_S).any())
            counted[f"{kind}, noted"] += bool(((since >= -WITHIN_S) & (since <= SAME_AFTER / MICROSECONDS)).any())
    counted["elsewhere"] = sum(not (np.abs(drive.events - mark) <= WITHIN_S).any() for mark in marks)
    return counted


def main() -> None:
    """Count and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", nargs="*", type=int, default=[4000, 4003])
    parser.add_argument("--machines", nargs="+", default=["varied", "other", "third"])
    parser.add_argument("--rate", type=float, default=10.0)
    parser.add_argument("--seconds", type=float, default=180.0, help="of each drive")
    arguments = parser.parse_args()
    first, last = arguments.seeds
    seeds = range(first, last + 1)
    for machine in arguments.machines:
        for cause in CAUSES:
            more = [first + each for each in SOUND] if cause == "healthy" else []
            some = (count(machine, cause, seed, arguments.rate, arguments.seconds) for seed in (*seeds, *more))
            told = sum(some, Counter())
            print(machine, cause, dict(told), flush=True)


if __name__ == "__main__":
    main()
