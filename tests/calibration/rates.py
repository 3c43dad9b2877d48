"""``python -m tests.calibration.rates``: one drive's resistance, read at 10 to 1 rows a second, and in its halves.

The goals: within 2 % whatever the rows a second, and within 3 % between the halves of a drive, beyond what a pulse at
their own charges explains.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from telemetry.analysis.resistance import find_resistance
from telemetry.analysis.series import SessionSeries
from telemetry.machine.pack_keys import Pack
from tests.calibration.kinds import CELSIUS
from tests.calibration.packs import CHEMISTRIES, draw_pack
from tests.calibration.resistance import drive, part_of
from tests.calibration.sensors import Instruments, recorded

RATES_HZ = (10.0, 5.0, 2.0, 1.0)
GOALS_PCT = np.array([2.0, 2.0, 3.0, 3.0])


def told(series: SessionSeries, pack: Pack) -> np.ndarray:
    """Return the resistance over 1 s and 10 s, mohm; NaN where it is not known."""
    found = find_resistance(series, pack)
    known = (found.pack_mohm, found.pack_10s_mohm)
    return np.array([np.nan if each is None else each for each in known])


def differences(made_of: tuple[str, str, float], seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return by how much the rates differ, and the halves at 5 rows a second, %, (2,) each: over 1 s and 10 s."""
    drawn = draw_pack(seed, 771, made_of, (0.5, 0.95))
    run, pulses = drive(drawn, 1.0 / RATES_HZ[0])
    drawn_once = Instruments.drawn(drawn.random, drawn.pack.cells_in_series, drawn.pack.capacity_ah, 0.1)
    of_rate = {}
    for hz in RATES_HZ:
        instruments = replace(drawn_once, every_s=1.0 / hz)
        of_rate[hz] = recorded(run, instruments, drawn.celsius, np.random.default_rng(seed))
    every = np.array([told(series, drawn.pack) for series in of_rate.values()])
    apart = 100.0 * (every.max(axis=0) / every.min(axis=0) - 1.0)
    series = of_rate[5.0]
    middle = (series.start + series.end) // 2
    halves = [part_of(series, *ends) for ends in ((series.start, middle), (middle, series.end))]
    first, last = (told(half, drawn.pack) for half in halves)
    ohm = pulses["pulse_ohm"].sum(axis=1)  # rising with the charge: the later half comes first
    true = ohm[: len(ohm) // 2].mean(axis=0) / ohm[len(ohm) // 2 :].mean(axis=0)
    return apart, 100.0 * (last / first / true - 1.0)


def main() -> None:
    """Read the options, judge, and print a line a kind."""
    parser = argparse.ArgumentParser(prog="python -m tests.calibration.rates", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", required=True, metavar="SEED")
    parser.add_argument("--source", choices=("pybamm", "simulator"), default="pybamm")
    options = parser.parse_args()
    print("| kind | drives | rates apart, 1 s | 10 s | halves apart, 1 s | 10 s |")
    print("|---|---|---|---|---|---|")
    whole = []
    for chemistry in CHEMISTRIES:
        for celsius in CELSIUS:
            found = [
                np.concatenate(differences((options.source, chemistry, celsius), seed)) for seed in options.seeds
            ]
            whole += found
            print(line(f"{chemistry}, {celsius:g} °C", np.array(found)), flush=True)
    print(line("all", np.array(whole)))


def line(name: str, found: np.ndarray) -> str:
    """Return the line of one kind, from float64 (drives, 4), %: the middle, how many keep the goal, the largest."""
    sizes = np.abs(found)
    kept = (sizes <= GOALS_PCT).sum(axis=0)
    cells = [
        f"{np.nanmedian(each):.1f} %, {count} kept, most {np.nanmax(each):.1f} %"
        for each, count in zip(sizes.T, kept, strict=True)
    ]
    return " | ".join([f"| {name}", str(len(found)), *cells]) + " |"


if __name__ == "__main__":
    main()
