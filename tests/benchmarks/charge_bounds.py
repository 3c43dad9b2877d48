"""How near the estimate of charge comes to the truth, and whether its bounds hold, on packs drawn by seed.

    .venv/bin/python tests/benchmarks/charge_bounds.py [RUNS] [KIND ...]

For each kind: error over all runs (root mean square), the worst moment of the worst run, share of the time that the
90 % bounds hold the truth, their mean width, and the interval score (width plus twenty times what the truth lies
outside: T. Gneiting and A. E. Raftery, J. American Statistical Association 102 (2007) 359-378; lower is better), all
in % of charge. The packs and what is random in them: tests/reference/charge_packs.py.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from charge_packs import PackKind, make_pack

from telemetry.analysis.current_offset import find_offset
from telemetry.analysis.state_of_charge import estimate_charge

_LFP = PackKind()
_NMC = PackKind(chemistry="nmc", cells=14)
_ONE = PackKind(cells=1, capacity_ah=1.2, minutes=(85.0, 95.0))
KINDS = {
    "lfp": _LFP,
    "lfp-cold": replace(_LFP, cold=True),
    "lfp-drive-then-charge": replace(_LFP, course="drive-then-charge"),
    "lfp-charge-then-drive": replace(_LFP, course="charge-then-drive"),
    "nmc": _NMC,
    "nmc-cold": replace(_NMC, cold=True),
    "nmc-drive-then-charge": replace(_NMC, course="drive-then-charge"),
    "nmc-charge-then-drive": replace(_NMC, course="charge-then-drive"),
    "lfp-one-cell": _ONE,
    "lfp-one-cell-cold": replace(_ONE, cold=True),
    "lfp-charge-then-drive-1": replace(_LFP, course="charge-then-drive", capacity_error=0.0),
    "lfp-drive-then-charge-1": replace(_LFP, course="drive-then-charge", capacity_error=0.0),
    "nmc-charge-then-drive-1": replace(_NMC, course="charge-then-drive", capacity_error=0.0),
    "nmc-drive-then-charge-1": replace(_NMC, course="drive-then-charge", capacity_error=0.0),
    "lfp-curve-worse": replace(_LFP, curve_error=1.6),
}
FIRST_SEED = 5000
"""Far from the seeds on which the numbers of the estimate were set (0 to 23) and from those of the tests."""


def score(kind: PackKind, seed: int) -> tuple[float, ...]:
    """Return mean squared error, worst error, coverage, width, interval score and seconds of one run."""
    made = make_pack(kind, seed)
    begin = time.process_time()
    found = estimate_charge(made.session, made.pack, find_offset(made.session, made.pack))
    seconds = time.process_time() - begin
    truth = np.interp(found.t, made.t, made.pct)
    off, low, high = found.pct - truth, found.low90, found.high90
    outside = np.maximum(low - truth, 0.0) + np.maximum(truth - high, 0.0)
    width = high - low
    return (
        float((off**2).mean()),
        float(np.abs(off).max()),
        float((outside == 0.0).mean()),
        float(width.mean()),
        float((width + 20.0 * outside).mean()),
        seconds / (len(found.t) / 360.0),
    )


def main(runs: int, names: list[str]) -> None:
    """Print one line a kind."""
    print("kind                     runs   RMS  worst  90 % hold  width  score  s of a core per hour")
    for name in names or list(KINDS):
        all_runs = np.array([score(KINDS[name], FIRST_SEED + number) for number in range(runs)])
        squared, worst, held, width, interval, seconds = all_runs.T
        print(
            f"{name:24s} {runs:4d} {np.sqrt(squared.mean()):5.2f} {worst.max():6.2f} {100 * held.mean():8.1f} % "
            f"{width.mean():6.1f} {interval.mean():6.1f} {seconds.mean():6.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2:])
