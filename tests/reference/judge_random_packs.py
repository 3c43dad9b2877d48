"""Says how often resistance and odd cells are told rightly on packs drawn at random; run by hand, it takes minutes.

    python tests/reference/judge_random_packs.py [PACKS OF EACH KIND] [FIRST SEED]

The figures in tests/results.md come from here.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from telemetry.analysis.cell_findings import judge_cells
from telemetry.analysis.resistance import find_resistance
from telemetry.machine.pack_keys import Pack
from tests.reference.random_packs import RandomPack, draw

FAULTS = ("none", "low-capacity", "low-charge", "high-resistance")


def stated(pack: RandomPack) -> Pack:
    """Return what the owner would state of ``pack``."""
    return Pack(chemistry=pack.chemistry, cells_in_series=len(pack.mohm), capacity_ah=pack.rated_ah)


def judge_causes(course: str, chemistry: str, fault: str, seeds: range) -> None:
    """Print how each odd cell was named, how many others were, and how far capacities were off."""
    named, others, off = Counter[str](), Counter[str](), []
    for seed in seeds:
        pack = draw(seed, chemistry, course, fault)
        found = judge_cells(pack.series, stated(pack), find_resistance(pack.series, stated(pack)))
        right = [odd for odd in found.odd if odd.cell == pack.odd_cell]
        named[right[0].cause if right else "not named"] += 1
        others.update(odd.cause for odd in found.odd if odd.cell != pack.odd_cell)
        for odd in right:
            if odd.capacity_ah is not None and fault == "low-capacity":
                share = pack.capacity_ah[pack.odd_cell - 1] / np.median(pack.capacity_ah)
                off.append(100 * (odd.capacity_ah / (share * pack.rated_ah) - 1))
    capacity = (
        f"; capacity told {len(off)}, off {rms(off):.2f} % RMS, {max(map(abs, off)):.2f} % at most" if off else ""
    )
    print(f"{course:5} {chemistry} {fault:16} {dict(named)} sound cells named {dict(others)}{capacity}", flush=True)


def judge_resistance(chemistry: str, row_s: float, seeds: range) -> None:
    """Print how far the pack's resistance, the cells' against one another and the lag are off."""
    pack_off, cell_off, lag_off, found_odd, odd = [], [], [], 0, 0
    for seed in seeds:
        pack = draw(seed, chemistry, "mow", ("none", "high-resistance")[seed % 2], row_s, 15 if row_s < 1 else 30)
        found = find_resistance(pack.series, stated(pack))
        if found.pack_mohm is None or found.cell_lag_s is None:
            print("unknown", found.unknown)
            continue
        pack_off.append(100 * (found.pack_mohm / pack.mohm.sum() - 1))
        mohm = np.array([cell.mohm for cell in found.cells])
        cell_off.append((100 * (mohm / np.median(mohm) / (pack.mohm / np.median(pack.mohm)) - 1)).std())
        lag_off.append(found.cell_lag_s - pack.lag_s)
        if pack.odd_cell:
            odd, found_odd = odd + 1, found_odd + (int(np.argmax(mohm)) + 1 == pack.odd_cell)
    print(f"{chemistry} {row_s:g} s rows: pack {rms(pack_off):.2f} % RMS, {max(map(abs, pack_off)):.2f} % at most;")
    print(f"    cells scatter {np.median(cell_off):.2f} % (median pack), {max(cell_off):.2f} % (worst);")
    print(f"    lag {rms(lag_off):.3f} s RMS; odd one highest {found_odd} of {odd}", flush=True)


def rms(values: list[float]) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def time_it() -> None:
    """Print the processor time for one hour of 16 cells and more at 10 rows a second."""
    pack = draw(1, "lfp", "mow", "none", 0.1, 60)
    begin = time.process_time()
    resistance = find_resistance(pack.series, stated(pack))
    middle = time.process_time()
    judge_cells(pack.series, stated(pack), resistance)
    print(
        f"one hour at 10 rows a second: resistance {middle - begin:.2f} s, cells {time.process_time() - middle:.2f} s"
    )


def main(count: int, first: int) -> None:
    """Print everything."""
    seeds = range(first, first + count)
    time_it()
    for chemistry in ("lfp", "nmc"):
        for row_s in (0.1, 1.0):
            judge_resistance(chemistry, row_s, seeds)
    for course in ("top", "wide", "mow"):
        for chemistry in ("lfp", "nmc"):
            for fault in FAULTS:
                judge_causes(course, chemistry, fault, seeds)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
