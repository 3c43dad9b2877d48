"""The difference of two instruments, learnt while both speak, and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.source_difference import BLOCK, Difference
from telemetry.model.batch import MICROSECONDS

SECONDS = 120


def readings(every_s: float, seed: int, *, offset: float, noise: float, step: float, gain: float = 1.0):
    """One instrument's readings of a machine that stands, drives and stands again; A."""
    random = np.random.default_rng(seed)
    t = np.cumsum(random.uniform(0.8, 1.2, int(SECONDS / every_s)) * every_s * MICROSECONDS).astype(np.int64)
    true = np.where((t // (30 * MICROSECONDS)) % 2 == 0, 0.6, 40.0)
    return t, np.round((gain * true + offset + random.normal(0.0, noise, len(t))) / step) * step


@pytest.mark.parametrize("every_s", [0.1, 1.0], ids=["10 Hz", "1 Hz"])
def test_an_offset_is_found_at_rest_whatever_the_gain(every_s: float) -> None:
    difference = Difference("A")
    difference.take(
        readings(0.1, 1, offset=0.0, noise=0.05, step=0.01),
        readings(every_s, 2, offset=0.4, noise=0.05, step=0.01, gain=1.02),
    )
    assert difference.latest is not None
    assert difference.latest.value == pytest.approx(-0.412, abs=0.03)


def test_the_stated_deviation_holds_the_truth() -> None:
    """No constant was chosen by these: 200 pairs of instruments of any noise and step."""
    off = []
    for seed in range(200):
        random = np.random.default_rng(1000 + seed)
        step, noise, offset = random.choice([0.001, 0.05, 0.1]), random.uniform(0.02, 0.2), random.uniform(-1.0, 1.0)
        difference = Difference("A")
        difference.take(
            readings(0.2, 2 * seed, offset=0.0, noise=noise, step=step),
            readings(0.3, 2 * seed + 1, offset=offset, noise=noise, step=step),
        )
        assert difference.latest is not None
        off.append(abs(difference.latest.value + offset) / difference.latest.sd)
    assert np.mean(np.array(off) < 1.645) >= 0.88


def test_a_sensor_that_shows_nothing_below_its_dead_band_says_how_little_it_says() -> None:
    t, other = readings(0.1, 3, offset=0.3, noise=0.05, step=0.01)
    _, ours = readings(0.1, 4, offset=0.0, noise=0.05, step=0.01)
    difference = Difference("A")
    difference.take((t, np.where(np.abs(ours) < 1.0, 0.0, ours)), (t, other))
    assert difference.latest is not None
    assert difference.latest.sd > 1.0


@pytest.mark.parametrize(
    ("unit", "level", "apart", "known"), [("V", 52.0, 0.4, True), ("V", 52.0, 3.0, False), ("A", 0.0, 2.5, False)]
)
def test_what_exceeds_every_usual_offset_is_none(unit: str, level: float, apart: float, known: bool) -> None:
    t = np.arange(0, 60 * MICROSECONDS, 200_000, dtype=np.int64)
    difference = Difference(unit)
    difference.take((t, np.full(len(t), level)), (t, np.full(len(t), level + apart)))
    assert (difference.latest is not None) == known
    assert (difference.at(t[-1:])[0] != 0.0) == known


def test_two_that_are_never_heard_at_once_tell_nothing() -> None:
    t = np.arange(0, 60 * MICROSECONDS, 200_000, dtype=np.int64)
    difference = Difference("V")
    difference.take((t, np.full(len(t), 52.0)), (t + 300 * MICROSECONDS, np.full(len(t), 52.2)))
    assert difference.latest is None


@settings(max_examples=20)
@given(st.lists(st.integers(1, SECONDS // 10), max_size=6, unique=True))
def test_it_counts_from_a_block_on_however_the_blocks_were_cut(cuts: list[int]) -> None:
    first = readings(0.1, 5, offset=0.0, noise=0.05, step=0.01)
    other = readings(0.25, 6, offset=0.4, noise=0.05, step=0.01)
    once, often = Difference("A"), Difference("A")
    once.take(first, other)
    before = 0
    for cut in [*sorted(cuts), SECONDS]:
        pieces = []
        for t, values in (first, other):
            inside = (t >= before * BLOCK) & (t < cut * BLOCK)
            pieces.append((t[inside], values[inside]))
        often.take(pieces[0], pieces[1])
        before = cut
    moments = np.arange(0, SECONDS * MICROSECONDS, MICROSECONDS, dtype=np.int64)
    # what is said of a moment rests on blocks that were over by then
    assert once.at(moments[:10]).tolist() == [0.0] * 10
    assert once.at(moments).tolist() == often.at(moments).tolist()
    assert once.at(moments[-1:]) != 0.0
