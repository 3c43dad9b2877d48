"""Resistance of pack and cells, against published examples, arithmetic, and packs whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter, lsim

from telemetry.analysis.load_response import chord
from telemetry.analysis.resistance import find_resistance
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.machine.pack_keys import Pack
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


def circuit(current: np.ndarray, step_s: float, ohms: tuple[float, float], bend_a: float = 20.0) -> np.ndarray:
    """Return the voltage of 52 V less ohmic, bent and slow (7 s) drops, by scipy."""
    ohm, curved = ohms
    steps = lsim(([0.3 * ohm], [7.0, 1.0]), current, np.arange(len(current)) * step_s)[1]
    return np.asarray(52.0 - ohm * current - curved * bend_a * np.arcsinh(current / bend_a) - steps)


def ridden(seed: int, seconds: float, step_s: float) -> np.ndarray:
    """Return a load that flutters within seconds, with starts, stops and braking, A."""
    random = np.random.default_rng(seed)
    levels = [(random.uniform(20, 90), random.uniform(15, 60)) for _ in range(200)]
    parts = []
    for level, long in levels:
        parts += [np.full(round(long / step_s), level), np.full(round(3 / step_s), -15.0)]
        parts += [np.full(round(random.uniform(3, 12) / step_s), 0.4)]
    wanted = np.concatenate(parts)[: round(seconds / step_s)]
    keep = np.exp(-step_s / 1.5)
    flutter = lfilter([np.sqrt(1 - keep**2)], [1, -keep], random.standard_normal(len(wanted)))
    smooth = np.convolve(wanted * (1 + 0.15 * flutter), np.full(round(0.5 / step_s), step_s / 0.5), "same")
    return np.asarray(smooth)


def test_cells_that_are_seldom_known_together_are_not_compared() -> None:
    current = steps(3, 400)
    cells = 3.3 - 0.001 * current[:, None] * np.ones(4)
    cells[np.arange(400) % 5 != 0, 2] = np.nan
    found = find_resistance(session(np.arange(400.0), current, 4 * (3.3 - 0.001 * current), cells), PACK)
    assert found.unknown == {"cells": "the cells are seldom all known at once"}
    assert found.pack_mohm == pytest.approx(4.0, rel=0.05)


def test_a_known_circuit_gives_the_same_at_ten_rows_a_second_and_at_one_and_in_both_halves() -> None:
    # the drop 1 s and 10 s after a step from rest to 0.3 C, by scipy on the same circuit
    pulse = np.where(np.arange(400) >= 100, 30.0, 0.0)
    after = (52.0 - circuit(pulse, 0.05, (0.012, 0.008))[[100 + 20, 100 + 200]]) / 30.0
    fine = ridden(4, 2400, 0.05)
    volts = circuit(fine, 0.05, (0.012, 0.008))
    grid = np.arange(len(fine)) * 0.05
    random = np.random.default_rng(1)
    told = []
    for row_s, lag, part in (
        (0.1, 0.0, 1),
        (0.1, 0.4, 1),
        (0.2, 0.0, 1),
        (1.0, 0.0, 1),
        (1.0, 0.5, 1),
        (1.0, 0.0, 2),
    ):
        t = np.arange(2.0, grid[-1] - 1, row_s)
        t = t[: len(t) // part]
        seen = np.round(np.interp(t, grid, fine) + 0.05 * random.standard_normal(len(t)), 1)
        shown = np.round(np.interp(t - lag, grid, volts) + 0.005 * random.standard_normal(len(t)), 2)
        found = find_resistance(session(t, seen, shown), PACK)
        told.append((found.pack_mohm, found.pack_10s_mohm))
        assert found.pack_scatter_mohm is not None
    ohms = np.array(told)
    assert ohms == pytest.approx(np.tile(1000 * after, (len(told), 1)), rel=0.03)
    assert ohms[:, 0].max() / ohms[:, 0].min() < 1.02


def test_a_step_to_more_current_gives_less_where_kinetics_bend() -> None:
    # IEC 61960's two currents, 0.2 C and 1 C for 1 s (from memory): (U1 - U2) / (I2 - I1), on the circuit itself
    fine = ridden(6, 1200, 0.1)
    response = find_resistance(
        session(np.arange(len(fine)) * 0.1, fine, circuit(fine, 0.1, (0.01, 0.02))), PACK
    ).response
    assert response is not None
    held = np.where(np.arange(1300) >= 1200, 100.0, 20.0)
    volts = circuit(held, 0.1, (0.01, 0.02))
    two_currents = (volts[1199] - volts[1210]) / 80.0
    chords = (100.0 * response.ohm_at(100.0) - 20.0 * response.ohm_at(20.0)) / 80.0
    assert chords == pytest.approx(two_currents, rel=0.03)
    assert response.ohm_at(100.0) < response.ohm_at(30.0) == pytest.approx(response.ohm[0])
    assert chord(0.0, 20.0) == 1.0


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
    assert "pack_mohm" in found.unknown


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
    for seed in (1,):
        pack = draw(seed, chemistry, "mow", "high-resistance", row_s, 12 if row_s < 1 else 30)
        found = find_resistance(pack.series, Pack(chemistry=chemistry, cells_in_series=16, capacity_ah=pack.rated_ah))
        assert found.pack_mohm is not None
        assert found.pack_uncertainty_mohm is not None
        assert abs(found.pack_mohm - pack.mohm.sum()) < 3 * found.pack_uncertainty_mohm < 0.06 * found.pack_mohm
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
    assert reason in found.unknown["pack_mohm"]
    assert "cells" in found.unknown


def test_a_gap_of_two_hours_does_no_harm() -> None:
    current, t = steps(5, 600), np.arange(600.0)
    t = np.where(t > 300, t + 7200, t)
    volts = np.where(t > 300, 50.0, 53.0) - 0.015 * current
    found = find_resistance(session(t, current, volts), PACK)
    assert found.pack_mohm == pytest.approx(15.0, rel=1e-3)


@pytest.mark.parametrize("rows", [1, 2, 3, 30, 34, 60, 101])
def test_a_recording_of_a_second_or_less_at_fifty_hertz_gives_no_resistance_and_no_error(rows: int) -> None:
    t, current = np.arange(rows) / 50, np.where(np.arange(rows) % 4 < 2, 10.0, 60.0)
    assert find_resistance(session(t, current, 52.0 - 0.02 * current), PACK).pack_mohm is None
