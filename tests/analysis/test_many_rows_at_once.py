"""What takes many rows at once gives what taking them one by one gives, and what plain loops over the rows give."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.blocks import BlockFigures, Blocks
from telemetry.analysis.cell_lag import Track
from telemetry.analysis.fault_isolation.hints import Trace
from telemetry.analysis.load_response import followed
from telemetry.analysis.open_circuit import mean_voltage_uncertainty, open_circuit_tables, voltage_uncertainty
from telemetry.analysis.recent import Recent
from telemetry.analysis.series import Series
from telemetry.model.batch import Batch, Group, Span

SEEDS = st.integers(0, 10_000)


def rows_of(seed: int, count: int = 200) -> tuple[np.ndarray, np.ndarray]:
    """Rows at uneven times with some holes."""
    random = np.random.default_rng(seed)
    steps = random.integers(20_000, 900_000, count)
    steps[random.random(count) < 0.05] += 9_000_000
    return np.cumsum(steps), random.normal(0.0, 10.0, count)


@given(SEEDS, st.lists(st.integers(0, 200), max_size=8))
def test_recent_rows_are_the_same_one_by_one_and_together(seed: int, cuts: list[int]) -> None:
    t, values = rows_of(seed)
    single, together = Recent(), Recent()
    for at, value in zip(t.tolist(), values.tolist(), strict=True):
        single.add(at, value)
    for piece_t, piece in zip(np.split(t, sorted(cuts)), np.split(values, sorted(cuts)), strict=True):
        together.extend(piece_t, piece)
    assert single.__dict__ == together.__dict__


@given(SEEDS, st.integers(0, 200))
def test_what_follows_a_recent_row_is_the_latest_known(seed: int, cut: int) -> None:
    t, values = rows_of(seed)
    values[np.random.default_rng(seed).random(len(t)) < 0.4] = np.nan
    recent = Recent()
    known = ~np.isnan(values[:cut])
    recent.extend(t[:cut][known], values[:cut][known])
    found_t, found = recent.followed_by(t[cut:], values[cut:])
    for place in range(cut, len(t)):
        earlier = np.flatnonzero(~np.isnan(values[: place + 1]))
        if len(earlier):
            assert (found_t[place - cut], found[place - cut]) == (t[earlier[-1]], values[earlier[-1]])
        else:
            assert math.isnan(found[place - cut])


@given(SEEDS, st.integers(0, 200), st.integers(0, 2))
def test_a_trace_gives_what_a_loop_over_its_rows_gives(seed: int, cut: int, earlier: int) -> None:
    t, values = rows_of(seed)
    trace = Trace()
    for rows in (slice(cut), slice(cut, None)):
        trace.add(t[rows], values[rows], 0)
    for start in np.random.default_rng(seed).integers(0, int(t[-1]), 30).tolist():
        first = sum(at < start for at in t)
        expected = [place for place, at in enumerate(t) if place >= first - earlier and at < start + 700_000]
        found_t, found = trace.between(start, start + 700_000, earlier)
        assert found_t.tolist() == t[expected].tolist()
        assert found.tolist() == values[expected].tolist()


def test_a_trace_forgets_what_was_too_old_before() -> None:
    trace = Trace()
    trace.add(np.array([0, 500_000, 2_000_000]), np.zeros(3), 0)
    trace.add(np.array([5_000_000]), np.ones(1), 1_000_000)
    assert trace.t.tolist() == [2_000_000, 5_000_000]


@given(SEEDS, st.lists(st.integers(1, 100_000_000), max_size=10, unique=True))
def test_figures_of_blocks_are_those_of_each_block(seed: int, cuts: list[int]) -> None:
    t, values = rows_of(seed)
    group = Group("pack", "pack", ("pack_current",))
    mean, last = BlockFigures("pack_current", 1_000_000), BlockFigures("pack_current", 1_000_000, last=True)
    means: dict[int, float] = {}
    lasts: dict[int, float] = {}
    before = -1
    for cut in [*sorted(cuts), 10**12]:
        first, stop = np.searchsorted(t, [before, cut], side="right").tolist()
        span = Span(cut, (Batch(group, t[first:stop], values[first:stop, None]),) if stop > first else ())
        means |= mean.take(span, cut)
        lasts |= last.take(span, cut)
        before = cut
    blocks = Blocks(1_000_000).take(t, values[:, None], 10**12)
    assert list(means) == list(lasts) == [block.end for block in blocks]
    assert list(lasts.values()) == [block.values[-1, 0] for block in blocks]
    assert list(means.values()) == pytest.approx([block.values.mean() for block in blocks])


@settings(max_examples=30)
@given(SEEDS, st.floats(0.5, 60.0))
def test_what_follows_a_current_is_the_exact_solution_row_by_row(seed: int, time_s: float) -> None:
    t, values = rows_of(seed)
    t[150:] += 4_000_000_000  # hundreds of time constants
    track = Track(Series(t, values), int(t[0]))
    found, value, before = [], values[0], values[0]
    for step, now in zip(np.diff(track.seconds, prepend=track.seconds[0]), values, strict=True):
        slope = (now - before) / step if step > 0 else 0.0
        kept = math.exp(-step / time_s)
        value = kept * value + (1 - kept) * (before - slope * time_s) + slope * step
        found.append(value)
        before = now
    assert followed(track, time_s) == pytest.approx(found, rel=1e-9, abs=1e-9)


@given(SEEDS)
def test_a_change_along_a_track_is_that_of_any_signal_with_its_rows(seed: int) -> None:
    t, values = rows_of(seed)
    track = Track(Series(t, values), 0)
    first = np.random.default_rng(seed).uniform(-5.0, t[-1] / 1e6 + 5.0, 50)
    last = first + 10.0
    other = np.sin(values)
    expected = np.interp(last, track.seconds, other) - np.interp(first, track.seconds, other)
    assert track.change(first, last)(other) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(st.sampled_from(["lfp", "nmc", "lto", "lead-agm"]), st.floats(0.0, 0.9), st.floats(0.05, 1.0))
def test_means_over_a_stretch_of_charge(chemistry: str, low: float, width: float) -> None:
    high = min(low + width, 1.0)
    shares = np.linspace(low, high, 20_001)
    table = open_circuit_tables(chemistry)[0]
    assert table.mean_volts(low, high) == pytest.approx(float(table.volts_at(shares).mean()), abs=2e-5)
    few = voltage_uncertainty(chemistry, np.linspace(low, high, 21)).mean()
    assert mean_voltage_uncertainty(chemistry, low, high) == pytest.approx(float(few), rel=2e-3)
