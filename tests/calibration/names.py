"""``python -m tests.calibration.names``: which cells of unseen packs are named, every kind of pack in turn."""

from __future__ import annotations

import argparse
from collections import Counter

from tests.calibration.cells import COURSES, compared
from tests.calibration.kinds import kinds
from tests.calibration.splits import TABLE


def main() -> None:
    """Read the options, judge, print a line a pack and the counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.calibration.names", description=__doc__)
    parser.add_argument("--sessions", type=int, default=63)
    parser.add_argument("--first", type=int, default=TABLE[0], help="first seed")
    parser.add_argument("--chemistry", choices=("lfp", "nmc"), help="default: both in turn")
    parser.add_argument("--courses", nargs="+", choices=COURSES, default=COURSES)
    options = parser.parse_args()
    every = kinds(*options.courses, chemistry=options.chemistry)
    counts: Counter[tuple[str, ...]] = Counter()
    for number in range(options.sessions):
        # a stride without a common factor with the number of kinds mixes chemistries, temperatures and courses
        case = every[7 * number % len(every)].draw(options.first + number)
        named = {odd.cell - 1: odd.cause for odd in compared(case).odd}
        truth, cells = case.truth, case.pack.cells_in_series
        charge = "use alone" if "charge" not in case.kind else "full charge"
        for cell in range(cells):
            fault = truth.fault if cell == truth.odd else "none"
            counts[case.kind[:3], charge, fault, named.get(cell, "not named")] += 1
        print(f"{case.name}: {truth.fault}, cell {truth.odd + 1}; named: {named}", flush=True)
    for what, count in sorted(counts.items()):
        print(f"{', '.join(what)}: {count}")


if __name__ == "__main__":
    main()
