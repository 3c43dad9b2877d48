"""``python -m tests.calibration.ideal_reader``: how well a charge can be read at best without a full charge.

Nickel types: somebody who knows the voltage at rest exactly, but not the cell's recipe, reads it by the others.

Iron phosphate: a reader who knows exactly how the packs of ``packs.py`` are drawn sees the open-circuit voltage, load
and reading taken out to some millivolts, at seven moments of a drive, and the charge between them. What it does not
know is which curve and how much hysteresis this pack has. Bayes' rule over curves drawn anew gives the mean that no
other reader beats on these packs.
"""

from __future__ import annotations

import numpy as np

from telemetry.analysis.open_circuit import open_circuit_tables
from tests.calibration.packs import NICKEL_CURVES, iron_phosphate_curve, nickel_points
from tests.calibration.single_particle import GRID, curve, rest_curve
from tests.calibration.splits import CHOOSING

CANDIDATES, PACKS, MOMENTS = 1200, 300, 7
ERRORS_V = (0.001, 0.003, 0.006, 0.012)


def drawn(random: np.random.Generator) -> np.ndarray:
    """Return the voltage that one pack's cells would show at rest after a discharge, V, on ``GRID``."""
    whole = iron_phosphate_curve(random)
    if whole is None:
        whole = rest_curve("Prada2013")
    half_gap = np.clip(curve("iron_phosphate_half_gap")[::-1], 0.0, 0.04)
    return np.asarray(whole - random.uniform(0.15, 1.0) * half_gap)


def error_pct(error_v: float, candidates: int = CANDIDATES, packs: int = PACKS) -> float:
    """Return the RMS error of a reader to whom open-circuit voltage is known to ``error_v``, %."""
    random = np.random.default_rng(CHOOSING[0])
    curves = np.stack([drawn(random) for _ in range(candidates)])
    starts = np.linspace(0.3, 1.0, 71)  # as the sessions begin
    off = []
    for _ in range(packs):
        start, swing = random.uniform(0.3, 1.0), random.uniform(0.1, 0.6)
        passed = np.linspace(0.0, min(swing, start - 0.05), MOMENTS)
        seen = np.interp(start - passed, GRID, drawn(random)) + random.normal(0.0, error_v, MOMENTS)
        places = np.clip(np.round((starts[:, None] - passed) * (len(GRID) - 1)), 0, len(GRID) - 1).astype(int)
        possible = starts >= passed[-1]
        cost = (((curves[:, places] - seen) / error_v) ** 2).sum(axis=2)
        weight = np.exp(-0.5 * (cost - cost[:, possible].min())) * possible
        off.append(float((weight * starts).sum() / weight.sum()) - start)
    return 100.0 * float(np.sqrt(np.mean(np.square(off))))


def recipe_error_pct(recipe: str) -> float:
    """Return the RMS error of a charge by the rest voltage of a nickel recipe and the tables of the others, %."""
    shares = np.linspace(0.1, 1.0, 181)
    volts = np.interp(shares, *np.array(nickel_points(recipe)).T)
    tables = [table for table in open_circuit_tables("nmc") if table.name != recipe]
    read = np.stack([table.share_at(volts) for table in tables])
    weights = np.array([table.weight for table in tables])
    return 100.0 * float(np.sqrt(np.mean((weights @ read / weights.sum() - shares) ** 2)))


def main() -> None:
    """Print the error of either reader: by the recipe, and by how well it knows the open-circuit voltage."""
    for recipe in NICKEL_CURVES:
        print(f"{recipe} by the other recipes: {recipe_error_pct(recipe):.1f} % RMS")
    for error_v in ERRORS_V:
        print(f"open-circuit voltage to {1000 * error_v:g} mV: {error_pct(error_v):.1f} % RMS")


if __name__ == "__main__":
    main()
