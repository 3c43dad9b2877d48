"""Resistance of pack and cells, against published examples, arithmetic, and packs whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from telemetry.analysis.resistance import Resistance, find_resistance
from telemetry.analysis.resistance_methods import (
    find_two_currents,
    pulse_power,
    resistance_trend,
    two_current_resistance,
)
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.machine.sections import Pack
from tests.reference.random_packs import draw

PACK = Pack(chemistry="lfp", cells_in_series=4, capacity_ah=100.0)


def session(
    t: np.ndarray, current: np.ndarray, volts: np.ndarray | None, cells: np.ndarray | None = None
) -> SessionSeries:
    micro = np.round(t * 1e6).astype(np.int64)
    signals = {"pack_current": Series(micro, current)}
    if volts is not None:
        signals["pack_voltage"] = Series(micro, volts)
    of_cells = None if cells is None else CellSeries(micro, cells, tuple(range(1, cells.shape[1] + 1)))
    return SessionSeries("made", 0, int(micro[-1]), 0, "relative", signals, of_cells)


def steps(seed: int, rows: int, hold: int = 7) -> np.ndarray:
    random = np.random.default_rng(seed)
    return np.repeat(random.uniform(6, 90, rows // hold + 1), hold)[:rows]


def test_two_currents_by_iec_61960() -> None:
    # IEC 61960, direct-current resistance, for a 100 Ah cell: 3.290 V at 20 A, 3.250 V at 100 A
    assert two_current_resistance((3.290, 3.250), (20.0, 100.0)) == pytest.approx(0.0005, rel=1e-9)
    with pytest.raises(ValueError, match="different currents"):
        two_current_resistance((3.3, 3.2), (20.0, 20.0))


def test_power_of_a_pulse() -> None:
    # USABC / FreedomCAR: P = Vmin (OCV - Vmin) / R, by hand: 2.5 * 0.8 / 0.002
    assert pulse_power(2.5, 3.3, 0.002) == pytest.approx(1000.0)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.002, 0.2), st.floats(20.0, 60.0), st.sampled_from([0.1, 0.5, 1.0, 2.0]))
def test_a_plain_resistor_gives_its_resistance_for_any_current(
    seed: int, ohm: float, open_v: float, row: float
) -> None:
    current = steps(seed, 400)
    t = np.arange(400) * row
    found = find_resistance(session(t, current, open_v - ohm * current), PACK)
    assert found.pack_mohm == pytest.approx(1000 * ohm, rel=1e-6)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.floats(0.0, 0.9))
def test_the_lag_of_the_cells_is_found_and_taken_out(seed: int, lag: float) -> None:
    random = np.random.default_rng(seed)
    fine = np.convolve(np.repeat(random.uniform(6, 90, 300), 40), np.full(4, 0.25), "same")
    grid = np.arange(len(fine)) * 0.05
    t = np.arange(2, 590, 0.1)
    ohms = np.array([0.0005, 0.0006, 0.0004, 0.0007])
    current = np.interp(t, grid, fine)
    cells = 3.3 - np.interp(t - lag, grid, fine)[:, None] * ohms
    found = find_resistance(session(t, current, None, cells), PACK)
    assert found.cell_lag_s == pytest.approx(lag, abs=0.02)
    assert [cell.mohm for cell in found.cells] == pytest.approx(1000 * ohms, rel=0.01)
    assert "pack" in found.unknown


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.floats(0.5, 2.0))
def test_a_current_sensor_that_reads_more_makes_the_resistance_less_by_as_much(seed: int, gain: float) -> None:
    assume(abs(gain - 1) > 0.01)
    current, t = steps(seed, 300), np.arange(300.0)
    true = find_resistance(session(t, current, 52 - 0.02 * current), PACK)
    off = find_resistance(session(t, gain * current, 52 - 0.02 * current), PACK)
    assert true.pack_mohm is not None
    assert off.pack_mohm == pytest.approx(true.pack_mohm / gain, rel=1e-6)


def test_the_slope_of_the_open_circuit_curve_is_not_taken_for_resistance() -> None:
    current, t = steps(3, 3000), np.arange(3000.0)
    falling = 58 - 1e-4 * np.cumsum(current)  # steeper than any usual plateau: 3.6 V a 10 Ah
    found = find_resistance(session(t, current, falling - 0.02 * current), PACK)
    assert found.pack_mohm == pytest.approx(20.0, rel=0.01)


@pytest.mark.parametrize("row_s", [0.1, 1.0])
@pytest.mark.parametrize("chemistry", ["lfp", "nmc"])
def test_drawn_packs(chemistry: str, row_s: float) -> None:
    # the current sensor's own gain error (0.6 % one standard deviation) is within these
    for seed in (1,):
        pack = draw(seed, chemistry, "mow", "high-resistance", row_s, 12 if row_s < 1 else 30)
        found = find_resistance(pack.series, Pack(chemistry=chemistry, cells_in_series=16, capacity_ah=pack.rated_ah))
        assert found.pack_mohm == pytest.approx(pack.mohm.sum(), rel=0.015 if row_s < 1 else 0.025)
        assert found.pack_uncertainty_mohm is not None
        assert abs(found.pack_mohm - pack.mohm.sum()) < 3 * found.pack_uncertainty_mohm
        mohm = np.array([cell.mohm for cell in found.cells])
        off = mohm / np.median(mohm) / (pack.mohm / np.median(pack.mohm)) - 1
        assert off.std() < 0.01
        assert int(np.argmax(mohm)) + 1 == pack.odd_cell
        assert found.cell_lag_s == pytest.approx(pack.lag_s, abs=0.1)


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (lambda t, i: session(t, i, None), "no pack voltage"),
        (lambda t, i: session(t, i, 52 + 0.02 * i), "sign_of_current"),
        (lambda t, i: session(t, np.full(len(t), 20.0), 52 - 0.02 * i), "load steps"),
        (lambda t, i: session(5 * t, i, 52 - 0.02 * i), "further apart"),
        (lambda t, i: session(t[:4], i[:4], 52 - 0.02 * i[:4]), "no pack current"),
        (lambda t, i: session(t[:12], i[:12], 52 - 0.02 * i[:12]), "load steps"),
    ],
)
def test_what_cannot_be_told_says_why(made, reason: str) -> None:
    found = find_resistance(made(np.arange(300.0), steps(1, 300)), PACK)
    assert found.pack_mohm is None
    assert reason in found.unknown["pack"]
    assert "cells" in found.unknown


def test_a_gap_of_two_hours_does_no_harm() -> None:
    current, t = steps(5, 600), np.arange(600.0)
    t = np.where(t > 300, t + 7200, t)
    volts = np.where(t > 300, 50.0, 53.0) - 0.015 * current
    found = find_resistance(session(t, current, volts), PACK)
    assert found.pack_mohm == pytest.approx(15.0, rel=1e-3)


def test_a_step_that_suits_the_two_current_method_is_found() -> None:
    t = np.arange(0, 120.0, 0.5)
    current = np.where(t < 60, 20.0, np.where(t < 62, 100.0, 20.0))
    (step,) = find_two_currents(session(t, current, 52.64 - 0.008 * current), PACK)
    assert (step.low_a, step.high_a) == (20.0, 100.0)
    assert step.mohm == pytest.approx(8.0, rel=1e-6)
    assert find_two_currents(session(t, np.full(len(t), 20.0), np.full(len(t), 52.0)), PACK) == ()


def test_resistances_are_compared_only_in_like_conditions() -> None:
    def at(mohm: float, warmth: float | None, charge: float | None = None) -> Resistance:
        return Resistance(mohm, 0.0101 * mohm, warmth, charge)

    earlier = [at(10.0, 24.0), at(10.2, 26.0), at(20.0, 5.0), at(9.0, None)]
    trend = resistance_trend(earlier, at(12.12, 25.0))
    assert trend is not None
    assert (round(trend.change_pct, 2), trend.sessions) == (20.0, 2)
    assert 0 < trend.uncertainty_pct < 0.5
    assert resistance_trend([at(20.0, 5.0)], at(10.0, 25.0)) is None
    assert resistance_trend([at(10.0, 25.0, 90.0)], at(10.0, 25.0, 30.0)) is None
    assert resistance_trend([], at(10.0, 25.0)) is None
