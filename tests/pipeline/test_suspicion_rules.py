"""The rules behind the program's marks: edges and trembling of a pedal, and output that sinks for the same pedal."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.response import PedalRange
from telemetry.pipeline.pedal_edges import pedal_edges, trembles
from telemetry.pipeline.sinking_output import COMPARED, LEARNT_FROM, SinkingOutput, SteadyHalfSecond

LIMITS = PedalRange(1.0, 4.0, 0.006)


def held_pedal(level=2.2, rate=20.0, seconds=10.0, seed=1):
    t = np.arange(0.0, seconds, 1 / rate)
    return t, level + np.random.default_rng(seed).normal(0.0, LIMITS.noise, len(t))


@settings(max_examples=30)
@given(st.floats(1.8, 3.6), st.integers(1, 8), st.sampled_from([10.0, 20.0]), st.integers(0, 99))
def test_a_lost_contact_is_found_and_a_lifted_foot_is_not(level: float, rows: int, rate: float, seed: int) -> None:
    t, volts = held_pedal(level, rate, seed=seed)
    rows = min(rows, round(0.6 * rate))
    lost, lifted = volts.copy(), volts.copy()
    lost[60 : 60 + rows] = 0.05
    lifted[60 : 60 + rows] = LIMITS.rest
    (edge,) = pedal_edges(t, lost, LIMITS)
    assert edge.t == pytest.approx(t[60], abs=1 / rate)
    assert edge.depth == pytest.approx((0.05 - level) / 3.0, abs=0.02)
    assert pedal_edges(t, lifted, LIMITS) == []
    assert pedal_edges(t, volts, LIMITS) == []


def test_a_spike_towards_the_supply_is_found() -> None:
    t, volts = held_pedal()
    volts[100] = 4.6
    (edge,) = pedal_edges(t, volts, LIMITS)
    assert edge.depth > 0.7


@pytest.mark.parametrize("rate", [10.0, 20.0])
@pytest.mark.parametrize("phase", np.linspace(0.0, 0.25, 6))
def test_a_foot_shaken_by_a_bump_does_not_tremble(rate: float, phase: float) -> None:
    """A leg swings about four times a second (common practice); 8 % of travel is a strong bump."""
    t, volts = held_pedal(rate=rate)
    swing = 0.08 * 3.0 * np.sin(2 * np.pi * 4.0 * (t + phase)) * np.exp(-np.maximum(t - 3.0, 0.0) / 0.2) * (t > 3.0)
    assert trembles(t, volts + swing, LIMITS) == []


@pytest.mark.parametrize("depth", [0.25, 0.5, 0.9])
def test_a_worn_track_trembles(depth: float) -> None:
    t, volts = held_pedal()
    bad = slice(80, 100)
    volts[bad] += np.random.default_rng(5).normal(0.0, depth, 20)
    found = trembles(t, volts, LIMITS)
    assert found
    assert all(t[79] <= at < t[100] for at in found)


def drawn(way: float, speed: float) -> float:
    """The battery current of a controller whose pedal asks for a torque: torque by speed, and heat; invented."""
    return 2.0 + 4.0 * way * speed + 20.0 * way**2


def moments(count: int, share=1.0, seed=1, noise=0.3, engaged=0.0):
    """Half seconds at ways and speeds of a hilly course, the output at ``share`` of what it should be."""
    random = np.random.default_rng(seed)
    for _ in range(count):
        way, speed = random.uniform(0.2, 0.8), random.uniform(3.0, 12.0)
        current = 2.0 + share * (drawn(way, speed) - 2.0) + random.normal(0.0, noise)
        yield SteadyHalfSecond(1.0 + 3.0 * way, speed, engaged, current)


def told(stage: SinkingOutput, rows) -> int:
    return sum(stage.take(row, 1.0, 4.0) for row in rows)


def test_output_that_sinks_is_told_once_and_again_when_it_sinks_further() -> None:
    stage = SinkingOutput()
    assert told(stage, moments(LEARNT_FROM + 200)) == 0
    assert told(stage, moments(200, 0.75, 2)) == 1
    assert told(stage, moments(200, 0.7, 3)) == 0
    assert told(stage, moments(200, 0.5, 4)) == 1


@settings(max_examples=20)
@given(st.floats(0.9, 1.3), st.integers(0, 99))
def test_about_the_same_output_is_never_told(share: float, seed: int) -> None:
    stage = SinkingOutput()
    assert told(stage, moments(LEARNT_FROM, seed=seed)) == 0
    assert told(stage, moments(5 * COMPARED, share, seed + 100)) == 0


def test_where_pedal_and_current_do_not_belong_together_nothing_is_told() -> None:
    stage = SinkingOutput()
    assert told(stage, moments(LEARNT_FROM, noise=15.0)) == 0
    assert told(stage, moments(200, 0.3, 2, noise=15.0)) == 0


def test_a_way_and_speed_that_were_not_learnt_tell_nothing() -> None:
    stage = SinkingOutput()
    assert told(stage, moments(LEARNT_FROM)) == 0
    assert told(stage, moments(200, 0.4, 2, engaged=1.0)) == 0
