"""Usable capacity between two known moments, and over sessions."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.capacity import (
    CapacityPair,
    UsableCapacity,
    best_capacity,
    find_capacity,
    join_capacities,
    two_point_pair,
)
from telemetry.analysis.capacity_anchors import KnownCharge
from telemetry.analysis.current_offset import CurrentOffset
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.state_of_charge import estimate_charge
from telemetry.machine.pack_keys import Pack

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from charge_packs import PackKind, make_pack


def test_35_ah_between_85_and_45_per_cent_are_87_5_ah_and_7_1_per_cent_uncertain() -> None:
    """The two-point method, worked by hand: 35 / 0.40, and sqrt(2) 2 / 40 for 2 % at each end."""
    pair = two_point_pair(
        KnownCharge(0, 0.0, 0.85, 0.02, "a rest"), KnownCharge(1, 35.0, 0.45, 0.02, "a rest"), 0.0, 0.0
    )
    assert pair.capacity_ah == pytest.approx(87.5)
    assert pair.uncertainty_ah / pair.capacity_ah == pytest.approx(0.0707, abs=1e-4)
    joined = join_capacities([pair])
    assert joined.usable_ah == pytest.approx(87.5, rel=1e-4)
    assert joined.uncertainty_ah == pytest.approx(pair.uncertainty_ah, rel=0.02)


def test_many_sessions_join_to_a_surer_figure_than_each() -> None:
    """Errors in both charge and swing, drawn as stated: the joined figure lies within its own uncertainty."""
    misses = []
    for seed in range(40):
        random = np.random.default_rng(seed)
        pairs = []
        for _ in range(8):
            swing = random.uniform(0.4, 0.8)
            pairs.append(
                CapacityPair(90.0 * swing + random.normal(0, 0.3), 0.3, swing + random.normal(0, 0.02), 0.02, "")
            )
        joined = join_capacities(pairs)
        assert joined.usable_ah is not None
        assert joined.uncertainty_ah is not None
        assert joined.uncertainty_ah < min(pair.uncertainty_ah for pair in pairs)
        misses.append((joined.usable_ah - 90.0) / joined.uncertainty_ah)
    assert np.mean(np.abs(misses) < 1.645) > 0.75
    assert abs(np.mean(misses)) < 0.5


def test_too_uncertain_is_unknown() -> None:
    joined = join_capacities([CapacityPair(20.0, 0.5, 0.36, 0.06, "from a rest to a rest")])
    assert joined.usable_ah is None
    assert "uncertain" in joined.basis
    assert join_capacities([]).usable_ah is None


def test_a_session_without_two_known_moments_says_so() -> None:
    made = make_pack(PackKind(minutes=(10.0, 12.0)), 601)
    offset = CurrentOffset(0.0, 0.3, "bounded", "")
    found = find_capacity(made.session, made.pack, offset, estimate_charge(made.session, made.pack, offset))
    assert found.usable_ah is None
    assert "no anchor for the state of charge" in found.basis


@pytest.mark.parametrize("noise_a", [0.0, 1.2])
def test_from_one_rest_to_another_by_the_curve_of_nickel_cells(noise_a: float) -> None:
    """A pack of 70 Ah that is stated as 80 Ah, driven from 80 % to 15 % between rests of half an hour."""
    table = open_circuit_tables("nmc")[0]
    rate = np.concatenate([np.zeros(2400), np.full(3600, 0.65), np.zeros(3600)])
    share = 0.80 - np.cumsum(rate) / 3600
    t = np.arange(len(rate), dtype=np.int64) * 1_000_000
    volts = 14 * (table.volts_at(share) - 0.04 * rate)
    current = 70.0 * rate + np.random.default_rng(7).normal(0.0, noise_a, len(rate))
    signals = {"pack_current": Series(t, current), "pack_voltage": Series(t, volts)}
    session = SessionSeries("rests", 0, int(t[-1]), 0, "relative", signals, None)
    recipe = Pack(chemistry="nmc", cells_in_series=14, capacity_ah=80.0)
    offset = CurrentOffset(0.0, 0.02, "stated-off", "")
    unknown = find_capacity(session, recipe, offset, estimate_charge(session, recipe, offset))
    assert unknown.usable_ah is None  # of another recipe, the same voltages would mean another swing
    points = tuple((100.0 * each, float(table.volts_at(each))) for each in table.share.tolist())
    pack = replace(recipe, open_circuit=points)
    found = find_capacity(session, pack, offset, estimate_charge(session, pack, offset))
    assert found.usable_ah is not None
    assert found.uncertainty_ah is not None
    assert abs(found.usable_ah - 70.0) < 2 * found.uncertainty_ah
    assert found.uncertainty_ah < 5.0
    assert "rest" in found.basis


def test_what_sessions_have_in_common_does_not_average_out() -> None:
    pair = CapacityPair(60.0, 0.3, 0.6, 0.01, "a full charge to a rest", gain=0.0058, anchors=0.01)
    one, many = join_capacities([pair]), join_capacities([pair] * 9)
    assert one.uncertainty_ah == pytest.approx(pair.uncertainty_ah, rel=0.01)
    assert many.uncertainty_ah is not None
    own = np.hypot(0.3 / 60.0, 0.01 / 0.6) / 3
    assert many.uncertainty_ah == pytest.approx(100.0 * np.sqrt(own**2 + 0.0058**2 + 0.01**2), rel=0.02)


def test_a_stated_capacity_is_sharpened_by_a_measurement_that_agrees_and_gives_way_to_one_that_does_not() -> None:
    pack = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
    spread = 3.0 / np.sqrt(3.0)
    assert best_capacity(pack, None) == pytest.approx((100.0, spread))
    agreed, sure = best_capacity(pack, UsableCapacity(98.5, 1.5, ""))
    weights = np.array([1 / spread**2, 1 / 1.5**2])
    assert agreed == pytest.approx(weights @ [100.0, 98.5] / weights.sum(), abs=0.1)
    assert sure == pytest.approx(weights.sum() ** -0.5, rel=0.1)
    assert best_capacity(pack, UsableCapacity(80.0, 2.0, ""))[0] == pytest.approx(80.0, abs=0.5)


def test_a_pair_of_known_moments_by_hand() -> None:
    full = KnownCharge(5, 10.0, 1.0, 0.03, "a full charge", 0.006)
    rest = KnownCharge(9, -50.0, 0.4, 0.04, "a rest", 0.008)
    for first, second in ((full, rest), (rest, full)):
        pair = two_point_pair(first, second, 2.0, 0.01)
        assert (pair.charge_ah, pair.charge_uncertainty_ah, pair.gain) == (60.0, 2.0, 0.01)
        assert pair.swing == pytest.approx(0.6)
        assert pair.swing_uncertainty == pytest.approx(0.05), "3-4-5"
        assert pair.anchors == pytest.approx(0.01 / 0.6)
        assert pair.capacity_ah == pytest.approx(100.0)
        offset, gain, anchors = 2.0 / 60.0, 0.01, (0.05**2 + 0.01**2) ** 0.5 / 0.6
        assert pair.uncertainty_ah == pytest.approx(100.0 * (offset**2 + gain**2 + anchors**2) ** 0.5)


def test_a_pack_that_is_not_what_is_stated_holds_from_half_to_a_fifth_more() -> None:
    pack = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
    for measured, low, high in ((35.0, 50.0, 75.0), (145.0, 100.0, 120.0)):
        found, spread = best_capacity(pack, UsableCapacity(measured, 15.0, "measured"))
        assert low < found < high
        assert 0.0 < spread < 15.0
    assert best_capacity(pack, UsableCapacity(None, None, "not known")) == best_capacity(pack, None)


def test_used_cells_widen_what_is_stated() -> None:
    used = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0, capacity_error_percent=20.0)
    assert best_capacity(used, None)[1] == pytest.approx(20.0 / np.sqrt(3.0))
