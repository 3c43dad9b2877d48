"""What small parts of the analysis say of drawn data, held to what it was; as in ``test_exact_figures.py``.

``python -m tests.analysis.test_exact_parts`` takes them anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from telemetry.analysis.current_offset import find_offset
from telemetry.analysis.delay import delay_by_blips, delay_by_changes
from telemetry.analysis.frozen_spans import find_frozen
from telemetry.analysis.open_circuit import charge_uncertainty, open_circuit_tables, stated_table, voltage_uncertainty
from telemetry.analysis.part_sizes import part_sizes
from telemetry.analysis.series import SessionSeries
from telemetry.machine.chemistry import Chemistry
from telemetry.machine.pack_keys import Pack, Wiring
from telemetry.model.events import Mark
from tests.analysis.frozen_recordings import coarse, drive, frozen, is_of_pack
from tests.analysis.test_alignment import delayed, presses, read
from tests.analysis.test_alignment import drive as driven
from tests.analysis.test_current_offset import LFP, NMC, session, standing
from tests.analysis.test_part_sizes import STATED, duty
from tests.kept_answers import KeptAnswers

CHEMISTRIES: tuple[Chemistry, ...] = ("lfp", "nmc", "nca", "lmo", "lto", "sodium-ion", "lead-flooded", "lead-agm")
WIRINGS = (
    Wiring(),
    STATED,
    Wiring(conductor_mm2=16.0, installation="free-air"),
    Wiring(conductor_mm2=70.0, insulation_c=75, bundled_conductors=4),
    Wiring(conductor_mm2=95.0, insulation_c=60, ambient_c=45.0),
)


def sizes() -> Any:
    """Return the sizes for drives of quick pulls, and for quiet ones in which a few pulls nearly open the fuse."""
    rng, found = np.random.default_rng(5), []
    for calm, times, seconds in ((20.0, 4, 3), (20.0, 6, 10), (45.0, 3, 40), (70.0, 5, 12), (70.0, 2.2, 90)):
        amperes = np.full(2400, calm)
        for at in (700, 1500):
            amperes[at : at + seconds] *= times
        found += [[asdict(size) for size in part_sizes(duty(amperes), wiring)] for wiring in WIRINGS]
    for mean in (12.0, 33.0, 58.0, 96.0, 140.0, 230.0):
        pulls = np.repeat(rng.exponential(mean, 240), rng.integers(1, 40, 240))
        pulls[rng.random(len(pulls)) < 0.03] *= -0.6
        found += [[asdict(size) for size in part_sizes(duty(pulls), wiring)] for wiring in WIRINGS]
    steady = duty(np.full(4000, 80.0))  # what carries 80 A exactly, and what does not quite
    return [*found, [steady.above_s(limit) for limit in (79.9, 80.0, 80.1)]]


def offsets() -> Any:
    return [asdict(find_offset(series, pack)) for series, pack in _rests()]


def _rests() -> list[tuple[SessionSeries, Pack]]:
    rests = []
    for offset, draw, pack in ((0.3, 0.0, LFP), (0.3, 0.4, LFP), (-0.8, 0.1, NMC), (0.0, 1.5, NMC), (0.05, 0.0, NMC)):
        t, amperes = standing(offset, draw)
        rests.append((session({"pack_current": (t, amperes)}), pack))
        twice = np.concatenate([amperes, amperes[60:] - 0.35, np.full(120, -15.0 + offset)])
        t = np.arange(len(twice)) * 1_000_000
        rests.append((session({"pack_current": (t, twice)}), pack))
        rests.append((session({"pack_current": (t[60:], twice[::-1][:-60])}), pack))
        rests.append((session({"pack_current": (t, np.where(abs(twice) < 0.5, 0.0, twice))}), pack))
        rests.append((session({"pack_current": (t, np.where(twice < -1, -1.0, twice))}), pack))  # no charge beside it
        off = (Mark(100_000_000, "key off"),)
        rests.append((session({"pack_current": (t, np.where(abs(twice) < 1.8, 0.0, twice))}, off), pack))
    for chemistry, hours, draw in (("nmc", 3.0, 0.5), ("nmc", 1.2, 2.0), ("lfp", 3.0, 0.5)):
        t = np.arange(0, round(hours * 3600), 2.0)
        share = 0.5 - draw * t / 3600 / 100
        table = open_circuit_tables(chemistry)[0]
        noise = np.random.default_rng(9).normal(0, 0.002, len(t))
        volts = 14 * (table.volts_at(share) + 0.01 * (1 - np.exp(-t / 1200))) + noise
        signals = {"pack_current": (t * 1e6, draw + 0.2 + 10 * noise), "pack_voltage": (t * 1e6, volts)}
        rests.append((session(signals), Pack(chemistry=chemistry, cells_in_series=14, capacity_ah=100.0)))
    return rests


def delays() -> Any:
    found: list[Any] = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        truth = driven(rng, 60)
        first, second = read(rng, truth, 50, 0.0, 0.5), read(rng, 52 - 0.03 * truth, (2, 5, 10)[seed % 3], 0.25, 0.2)
        found.append(delay_by_changes(first, second, -1))
        pedal = presses(rng, 3 + seed % 3, 26)
        shows = 60 * delayed(pedal, 0.05)
        shows[int((9 + seed) / 0.005) :] *= (0.3, 0.6, 0.9)[seed % 3]  # the later blips show less
        press = read(rng, 0.8 + 3 * pedal, 50, 0.0, 0.02)
        found += [delay_by_blips(press, read(rng, shows, rate, 0.1, 2.0)) for rate in (2.0, 10.0, 50.0)]
    return [each if isinstance(each, str) else asdict(each) for each in found]


def curves() -> Any:
    share = np.array(
        [0.0, 0.01, 0.03, 0.07, 0.15, 0.25, 0.35, 0.45, 0.55, 0.62, 0.68, 0.75, 0.85, 0.93, 0.97, 0.99, 1.0]
    )
    own = stated_table(((0.0, 2.8), (10.0, 3.1), (50.0, 3.3), (90.0, 3.34), (100.0, 3.45)))
    found = {}
    for chemistry in CHEMISTRIES:
        tables = [[table.name, table.volts_at(share).tolist()] for table in open_circuit_tables(chemistry)]
        doubts = [
            each(chemistry, share, of) for of in (None, own) for each in (voltage_uncertainty, charge_uncertainty)
        ]
        found[chemistry] = [tables, *(doubt.tolist() for doubt in doubts)]
    return found


def repeats() -> Any:
    """Return where a source is taken for frozen, in drives in which it repeats itself for seconds to minutes."""
    found = []
    for scenario, seed in (("orchard", 361), ("market", 362)):
        whole = drive(scenario, seed, 420, 5.0)
        pack = [signal for batch in whole for signal in batch.group.signals if is_of_pack(signal)]
        for start, end in ((60, 68), (60, 90), (60, 130), (100, 300), (200, 420)):
            of_all, of_two = frozen(whole, pack, start, end), frozen(coarse(whole), pack[:2], start, end)
            found += [[asdict(span) for span in find_frozen(rows)] for rows in (of_all, of_two)]
    return found


CASES: Mapping[str, Callable[[], Any]] = {
    "part-sizes": sizes,
    "current-offsets": offsets,
    "delays": delays,
    "open-circuit": curves,
    "frozen-sources": repeats,
}
KEPT = KeptAnswers(Path(__file__).parent / "exact_parts", lambda case: CASES[case]())


@pytest.mark.parametrize("case", CASES)
def test_no_answer_changes_unseen(case: str) -> None:
    assert KEPT.differences(case) == []


if __name__ == "__main__":
    KEPT.take_anew(CASES)
