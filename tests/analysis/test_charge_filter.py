"""The filter behind the estimate of charge: a published step, flat curves, and its bookkeeping of blocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.charge_blocks import BLOCK, cut_blocks
from telemetry.analysis.charge_filter import ChargeFilter, FilterSettings, _delay
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.open_circuit import OpenCircuitTable, TableTrust, open_circuit_tables, table_trust

FLAT = OpenCircuitTable("flat", "made up", np.array([0.0, 1.0]), np.array([3.3, 3.3]))
SURE = TableTrust(level_v=0.0, wave_v=0.0, along=0.0, hysteresis_v=0.0, hysteresis_sd_v=0.0, steep_v=0.3)


@settings(max_examples=15)
@given(st.lists(st.tuples(st.floats(-1, 1), st.floats(3.0, 3.6)), min_size=1, max_size=20))
def test_where_the_curve_is_flat_voltage_moves_no_estimate(course: list[tuple[float, float]]) -> None:
    seeing, blind = (ChargeFilter([FLAT], table_trust("lfp"), FilterSettings()) for _ in range(2))
    # no hypothesis may leave the curve, for beyond its ends it is not flat
    scale = 0.02 / sum(abs(rate) / 360 for rate, _ in course) if any(rate for rate, _ in course) else 0.0
    for rate, volts in course:
        for each in (seeing, blind):
            each.count(min(scale, 1.0) * rate / 360, np.full(10, rate))
        seeing.see(volts)
    inside = (seeing.start > 0.1) & (seeing.start < 0.9)
    assert len(seeing.start) == len(blind.start)
    assert np.ptp((seeing.log_weight - blind.log_weight)[inside]) < 0.1
    assert float(seeing.belief().mean[0]) == pytest.approx(float(blind.belief().mean[0]), abs=0.01)


def test_a_steep_curve_that_is_known_tells_the_charge() -> None:
    table = open_circuit_tables("nmc")[0]
    seeing = ChargeFilter([table], SURE, FilterSettings(step=0.01))
    for _ in range(30):
        seeing.count(0.0, np.zeros(10))
        seeing.see(float(table.volts_at(0.63)))
    belief = seeing.belief()
    assert float(belief.mean[0]) == pytest.approx(0.63, abs=0.01)
    assert float(belief.low[0]) < 0.63 < float(belief.high[0])


def test_delayed_currents_are_those_of_first_order_lags() -> None:
    """A lag's answer to a step is 1 - exp(-t/T), its mean over the first ten seconds 1 - T/10 (1 - exp(-10/T))."""
    delays = np.array([10.0, 60.0, 600.0])
    end, mean = _delay(np.zeros(4), np.ones(10))
    assert end[1:] == pytest.approx(1 - np.exp(-10 / delays), rel=1e-9)
    assert mean == pytest.approx([1.0, *(1 - delays / 10 * (1 - np.exp(-10 / delays)))], rel=1e-9)
    faded, _ = _delay(np.ones(4), np.zeros(10))
    assert faded[1:] == pytest.approx(np.exp(-10 / delays), rel=1e-9)


@settings(max_examples=20)
@given(st.integers(0, 10_000), st.sampled_from([100_000, 1_000_000, 5_000_000]))
def test_blocks_lose_no_charge(seed: int, usual_us: int) -> None:
    """The trapezoid over all rows, numpy's own, is what the blocks add up to."""
    random = np.random.default_rng(seed)
    t = np.cumsum(random.integers(usual_us // 2, usual_us * 2, 300)).astype(np.int64)
    amperes = random.uniform(-50, 100, len(t))
    blocks = cut_blocks((t, amperes, GapRule().take(t)), (t, np.full(len(t), 3.3)))
    assert blocks.charge_ah.sum() == pytest.approx(np.trapezoid(amperes, t) / 3.6e9, rel=1e-9, abs=1e-12)
    assert (np.diff(blocks.number) > 0).all()
    assert (blocks.t // BLOCK == blocks.number).all()
    assert (blocks.volts == 3.3).all() or blocks.volts == pytest.approx(3.3)


def test_a_hole_is_no_charge_and_is_told() -> None:
    t = np.array([*range(100), *range(7300, 7400)], dtype=np.int64) * 1_000_000
    blocks = cut_blocks((t, np.full(200, 36.0), GapRule().take(t)), (t, np.full(200, 3.3)))
    assert blocks.charge_ah.sum() == pytest.approx(198 * 0.01)
    assert blocks.missing_s.max() == pytest.approx(7201.0)
