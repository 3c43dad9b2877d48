"""Charge and energy against closed forms, against SciPy and against the drive's own reference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from telemetry.analysis.gaps import GapRule
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Gap
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from telemetry.pipeline.snapshot import Snapshot

PACK = Group("pack", "pack", ("pack_voltage", "pack_current"))


def snapshot_of(*batches: Batch, end: int | None = None) -> Snapshot:
    snapshot = Snapshot()
    end = max(int(b.t[-1]) for b in batches) if end is None else end
    snapshot.take(standard_stages(Judge(())).advance(Span(end, batches, final=True)))
    return snapshot


def batch(t_s, voltage, current, group: Group = PACK) -> Batch:
    t = np.round(np.asarray(t_s, dtype=float) * 1e6).astype(np.int64)
    shape = np.ones(len(t))
    return Batch(group, t, np.stack([voltage * shape, current * shape], axis=1))


def total(snapshot: Snapshot, signal: str) -> float:
    reading = snapshot.reading(signal)
    assert reading is not None
    return reading.value


def test_constant_power_closed_form() -> None:
    """51.2 V and 40 A over 15 min are 512.0 Wh (arithmetic)."""
    snapshot = snapshot_of(batch(np.arange(0, 901), 51.2, 40.0))
    assert total(snapshot, "energy_out") == pytest.approx(512.0, rel=1e-4)
    assert total(snapshot, "charge_out") == pytest.approx(10.0, rel=1e-4)
    assert total(snapshot, "energy_in") == 0.0


def test_ramp_closed_form() -> None:
    """0 to 2000 W in 600 s at 1 s is 166.667 Wh (arithmetic); the peak is the last sample."""
    t = np.arange(0, 601)
    snapshot = snapshot_of(batch(t, 50.0, t / 600 * 40.0))
    assert total(snapshot, "energy_out") == pytest.approx(166.667, rel=1e-4)
    assert (snapshot.peak_power, snapshot.peak_power_at) == (pytest.approx(2000.0), 600_000_000)


def test_sine_closed_form() -> None:
    """20 A + 10 A sin(2 pi t / 60 s) over 3600 s is 20.000 Ah (arithmetic)."""
    t = np.arange(0, 3601)
    snapshot = snapshot_of(batch(t, 51.2, 20 + 10 * np.sin(2 * np.pi * t / 60)))
    assert total(snapshot, "charge_out") == pytest.approx(20.0, rel=1e-4)


@given(st.lists(st.floats(-200, 200), min_size=3, max_size=60), st.integers(0, 1000))
@example([0.0, 0.0, 1.0, 0.0, 2.3e-311, 0.0], 0)
def test_net_charge_and_energy_agree_with_scipy(current, seed) -> None:
    random = np.random.default_rng(seed)
    t = np.cumsum(random.uniform(0.05, 0.9, len(current)))
    voltage = random.uniform(40, 58, len(current))
    rows = batch(t, voltage, np.array(current))
    snapshot = snapshot_of(rows)
    hours = rows.t / 3.6e9
    charge = total(snapshot, "charge_out") - total(snapshot, "charge_in")
    energy = total(snapshot, "energy_out") - total(snapshot, "energy_in")
    assert charge == pytest.approx(trapezoid(current, hours), abs=1e-9)
    assert energy == pytest.approx(trapezoid(voltage * current, hours), abs=1e-7)


def test_a_segment_through_zero_is_split_where_it_crosses() -> None:
    """From +10 A to -30 A in 4 s: 10 A over 1 s out and 30 A over 3 s in, halved (two triangles)."""
    snapshot = snapshot_of(batch([0, 4], 50.0, np.array([10.0, -30.0])))
    assert total(snapshot, "charge_out") == pytest.approx(5 / 3600)
    assert total(snapshot, "charge_in") == pytest.approx(45 / 3600)


def test_slow_voltage_beside_fast_current_is_interpolated() -> None:
    """A voltage that falls in a straight line, read at 1 Hz, loses nothing against the same voltage at 10 Hz."""
    fast, slow = np.arange(0, 100.01, 0.1), np.arange(0, 101)
    current = 40 + 30 * np.sin(fast)
    line = lambda t: 54 - 0.05 * t  # noqa: E731
    volts = Batch(Group("a", "v", ("pack_voltage",)), (slow * 1e6).astype(np.int64), line(slow).reshape(-1, 1))
    amps = Batch(Group("b", "i", ("pack_current",)), np.round(fast * 1e6).astype(np.int64), current.reshape(-1, 1))
    together = snapshot_of(batch(fast, line(fast), current))
    apart = snapshot_of(volts, amps)
    assert total(apart, "energy_out") == pytest.approx(total(together, "energy_out"), rel=1e-9)


def test_a_gap_is_not_bridged_and_is_told() -> None:
    t = np.concatenate([np.arange(0, 60, 0.1), np.arange(120, 180, 0.1)])
    snapshot = snapshot_of(batch(t, 50.0, 36.0))
    assert total(snapshot, "charge_out") == pytest.approx(36 * 119.8 / 3600, rel=1e-6)
    assert [(g.start, g.t) for g in snapshot.gaps] == [(59_900_000, 120_000_000)]
    assert snapshot.gaps_s["pack_current"] == pytest.approx(60.1)


def test_unknown_current_is_a_gap_in_the_same_way() -> None:
    current = np.full(600, 36.0)
    current[200:400] = np.nan
    stages = standard_stages(Judge(()))
    rows = batch(np.arange(600) * 0.1, 50.0, current)
    span = stages.advance(Span(int(rows.t[-1]), (rows,), final=True))
    gaps = [e for e in span.events if isinstance(e, Gap)]
    assert [(g.signal, g.duration_s) for g in gaps] == [("pack_current", pytest.approx(20.1))]


def test_the_gap_limit_follows_the_rate() -> None:
    rule = GapRule()
    assert rule.take(np.arange(0, 40) * 10_000_000).tolist() == [False] + [True] * 39
    assert rule.limit == 50_000_000
    assert rule.take(np.array([390_000_000 + 50_000_000, 390_000_000 + 110_000_000])).tolist() == [True, False]
