"""Cells that come from two devices count together: lowest, highest, spread, and what is made of blocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.cells_live import CellWatch
from telemetry.analysis.charge_live import EstimateCharge
from telemetry.analysis.derive import Cells
from telemetry.analysis.series import read_series
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.model.signals import cell_name
from tests.reference.drives import DriveRecording

MACHINE, _ = parse_machine(
    '[pack]\nchemistry = "lfp"\ncells_in_series = 8\ncapacity_ah = 20\ncontinuous_discharge_a = 60\n', "cart.toml"
)
SECONDS = 60
FIRST, SECOND = (tuple(cell_name(number) for number in numbers) for numbers in (range(1, 5), range(5, 9)))


def volts_at(t: np.ndarray, numbers: range) -> np.ndarray:
    """Cells a millivolt apart, all rising alike; cell 7 is the lowest, cell 2 the highest."""
    columns = [3.26 + 0.001 * number + t / 1e11 for number in numbers]
    columns = [c - 0.02 * (n == 7) + 0.02 * (n == 2) for c, n in zip(columns, numbers, strict=True)]
    return np.stack(columns, axis=1)


def halves(apart_us: int, every_us: int = MICROSECONDS, seconds: int = SECONDS) -> list[Batch]:
    t = np.arange(MICROSECONDS, seconds * MICROSECONDS, every_us, dtype=np.int64)
    return [
        Batch(Group("left", "cells", FIRST), t, volts_at(t, range(1, 5))),
        Batch(Group("right", "cells", SECOND), t + apart_us, volts_at(t + apart_us, range(5, 9))),
    ]


def derived(batches: list[Batch], cuts: list[int]) -> dict[str, np.ndarray]:
    """Return the derived columns and their times, by name, of rows that come in spans."""
    stage, out, before = Cells(), [], -1
    for cut in [*cuts, 2 * SECONDS * MICROSECONDS]:
        pieces = []
        for batch in batches:
            first, last = np.searchsorted(batch.t, [before, cut], side="right")
            pieces.append(batch.rows(int(first), int(last)))
        before = cut
        span = stage.advance(Span(cut, tuple(piece for piece in pieces if len(piece))))
        out += [batch for batch in span.batches if batch.group.origin == "derived"]
    assert {batch.group.key for batch in out} == {("left", "cells_cells")}
    found = {name: np.concatenate([b.column(name) for b in out]) for name in out[0].group.signals}
    return {**found, "t": np.concatenate([batch.t for batch in out])}


@pytest.mark.parametrize("apart_us", [0, 300_000])
def test_lowest_highest_and_spread_are_of_all_cells(apart_us: int) -> None:
    found = derived(halves(apart_us), [])
    late = found["t"] > 2 * MICROSECONDS
    assert set(found["cell_min_number"][late]) == {7.0}
    assert set(found["cell_max_number"][late]) == {2.0}
    assert found["cell_min_voltage"][late] == pytest.approx(3.247 + found["t"][late] / 1e11, abs=1e-5)
    assert np.nanmax(np.abs(found["cell_spread"][late] - 0.035)) < 1e-4


def test_cells_read_at_different_moments_have_no_spread() -> None:
    """Under a changing load half a second is enough to make two sound cells look apart."""
    found = derived(halves(700_000), [])
    of_left = found["t"] % MICROSECONDS == 0
    assert not np.isnan(found["cell_spread"][of_left]).any()  # 0.3 s after the right half
    assert np.isnan(found["cell_spread"][~of_left]).all()  # 0.7 s after the left half
    assert set(found["cell_min_number"][found["t"] > 2 * MICROSECONDS]) == {7.0}


def test_a_half_that_falls_silent_counts_no_longer() -> None:
    left, right = halves(300_000)
    found = derived([left, right.rows(0, 20)], [])
    numbers = found["cell_min_number"]
    assert set(numbers[(found["t"] > 2e6) & (found["t"] < 25e6)]) == {7.0}
    assert set(numbers[found["t"] > 26.5e6]) == {1.0}


@settings(max_examples=30)
@given(st.lists(st.integers(1, SECONDS * 1000), max_size=40, unique=True))
def test_it_does_not_see_the_cuts(cuts_ms: list[int]) -> None:
    batches = halves(130_000, 370_000)
    once, often = derived(batches, []), derived(batches, sorted(cut * 1000 for cut in cuts_ms))
    for name, values in once.items():
        assert np.array_equal(values, often[name], equal_nan=True), name


def test_charge_and_cell_figures_are_of_all_cells_too() -> None:
    assert MACHINE is not None
    t = np.arange(0, 1200 * MICROSECONDS, MICROSECONDS, dtype=np.int64)
    current = Batch(Group("left", "current", ("pack_current",)), t, np.zeros((len(t), 1)))
    span = Span(1200 * MICROSECONDS, (*halves(200_000, seconds=1200), current), final=True)
    charge = EstimateCharge(MACHINE.pack).advance(span)
    assert any(len(batch) for batch, _ in charge.carrying("soc_estimated"))  # no pack voltage: from all cells
    spreads = [column for _, column in CellWatch(MACHINE).advance(span).carrying("cell_spread_rest")]
    assert np.concatenate(spreads) == pytest.approx(0.035, abs=1e-3)


@pytest.mark.parametrize(("apart_us", "cells"), [(300_000, 8), (700_000, 8), (5_000_000, 4)])
def test_the_report_takes_them_together_where_they_were_read_at_once(apart_us: int, cells: int) -> None:
    every_us = MICROSECONDS if apart_us < MICROSECONDS else 11 * MICROSECONDS
    series = read_series(DriveRecording("two halves", tuple(halves(apart_us, every_us, 600))))
    assert series.cells is not None
    assert series.cells.numbers == tuple(range(1, cells + 1))
    middle = np.median(series.cells.voltages, axis=0)
    assert np.ptp(middle) == pytest.approx(0.035 if cells == 8 else 0.021, abs=1e-3)
