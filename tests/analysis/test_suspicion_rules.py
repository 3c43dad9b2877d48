"""What the program marks of a throttle that leaves the foot, and what it does not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.suspicion import Suspicion
from telemetry.model.batch import Batch, Group, Span

REST, TOP, NOISE = 1.0, 4.0, 0.006
KINDS = {
    "throttle signal dropped out": "fall",
    "throttle signal jumped": "rise",
    "throttle signal jittered": "jitter",
}


def marks_of(spoil, rate=20.0, seed=1, level=2.2):
    """Let a foot press and release, hold from 40 s on, and spoil that from 50 s on; the marks: s after that, kind."""
    t = np.arange(0.0, 60.0, 1 / rate)
    held = np.interp(t % 8.0, [0, 1, 2, 5, 6, 8], [0, 0, 1, 1, 0, 0])
    volts = np.where(t < 40, REST + (TOP - REST) * held, np.where(t < 41, REST + (level - REST) * (t - 40), level))
    volts += np.random.default_rng(seed).normal(0.0, NOISE, len(t))
    first = round(50 * rate)
    spoil(volts[first:])
    times = np.round(t * 1e6).astype(np.int64)
    rows = Batch(Group("machine", "all", ("throttle_voltage",)), times, volts[:, None])
    marks = Suspicion().advance(Span(int(times[-1]), (rows,), final=True)).events
    return [((mark.t - 50_000_000) / 1e6, KINDS[mark.text]) for mark in marks]


@settings(max_examples=30, deadline=None)
@given(st.floats(1.8, 3.6), st.integers(1, 8), st.sampled_from([10.0, 20.0]), st.integers(0, 99))
def test_a_lost_contact_is_marked_and_a_lifted_foot_is_not(level: float, rows: int, rate: float, seed: int) -> None:
    rows = min(rows, round(0.6 * rate))

    def lost(volts):
        volts[:rows] = 0.05

    def lifted(volts):
        gone = round(0.3 * rate)
        volts[:gone] = np.linspace(level, REST, gone)
        volts[gone : gone + round(rate)] = REST

    ((at, kind),) = marks_of(lost, rate, seed, level)
    assert at == pytest.approx(0.0, abs=1 / rate)
    assert kind == "fall"
    assert marks_of(lifted, rate, seed, level) == []
    assert marks_of(lambda volts: None, rate, seed, level) == []


def test_a_spike_towards_the_supply_is_marked() -> None:
    def spike(volts):
        volts[20] = 4.6

    ((at, kind),) = marks_of(spike)
    assert at == pytest.approx(1.0, abs=0.05)
    assert kind == "rise"


@pytest.mark.parametrize("rate", [10.0, 20.0])
@pytest.mark.parametrize("phase", np.linspace(0.0, 0.25, 6))
def test_a_foot_shaken_by_a_bump_is_not_marked(rate: float, phase: float) -> None:
    """A leg swings about four times a second (common practice); 8 % of travel is a strong bump."""

    def bump(volts):
        t = np.arange(len(volts)) / rate
        volts += 0.08 * (TOP - REST) * np.sin(2 * np.pi * 4.0 * (t + phase)) * np.exp(-t / 0.2)

    assert marks_of(bump, rate) == []


@pytest.mark.parametrize("depth", [0.5, 0.9])
def test_a_worn_track_that_trembles_is_marked(depth: float) -> None:
    def worn(volts):
        volts[:20] += np.random.default_rng(5).normal(0.0, depth, 20)

    found = marks_of(worn)
    assert found
    assert {kind for _, kind in found} == {"jitter"}
    assert all(-0.1 <= at < 1.1 for at, _ in found)
