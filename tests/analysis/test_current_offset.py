"""The sensor's offset: taken where nothing can flow, bounded elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.current_offset import find_offset
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.series import Series, SessionSeries
from telemetry.machine.pack_keys import Pack
from telemetry.model.events import Event, Mark

LFP = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
NMC = Pack(chemistry="nmc", cells_in_series=14, capacity_ah=100.0)


def session(signals: dict[str, tuple[np.ndarray, np.ndarray]], events: tuple[Event, ...] = ()) -> SessionSeries:
    made = {name: Series(t.astype(np.int64), values.astype(float)) for name, (t, values) in signals.items()}
    end = max(int(series.t[-1]) for series in made.values())
    return SessionSeries("made", 0, end, 0, "relative", made, None, events)


def standing(offset: float, draw: float, seconds: int = 300) -> tuple[np.ndarray, np.ndarray]:
    """A minute of drive, then standing, with noise of 0.05 A."""
    t = np.arange(60 + seconds) * 1_000_000
    random = np.random.default_rng(3)
    return t, np.where(t < 60e6, 40.0, draw) + offset + random.normal(0, 0.05, len(t))


def test_open_switches_tell_the_offset() -> None:
    t, amperes = standing(0.37, 0.0)
    shut = (t, np.where(t < 90e6, 1.0, 0.0))
    found = find_offset(
        session({"pack_current": (t, amperes), "discharge_allowed": shut, "charge_allowed": shut}), LFP
    )
    assert found.ground == "switches-open"
    assert found.known
    assert found.value_a == pytest.approx(0.37, abs=0.05)
    assert found.uncertainty_a < 0.05


def test_a_mark_that_says_key_off_tells_it_until_the_next_mark() -> None:
    t, amperes = standing(-0.22, 0.0)
    amperes[300:] += 0.6  # the key is on again
    marks = (Mark(100_000_000, "key off, charger unplugged"), Mark(290_000_000, "on"))
    found = find_offset(session({"pack_current": (t, amperes)}, marks), LFP)
    assert found.ground == "stated-off"
    assert found.value_a == pytest.approx(-0.22, abs=0.05)


def test_a_key_line_that_is_off_tells_it() -> None:
    t, amperes = standing(0.30, 0.0)
    found = find_offset(
        session({"pack_current": (t, amperes), "enable_voltage": (t, np.where(t < 70e6, 48.0, 0.0))}), LFP
    )
    assert found.ground == "key-off"
    assert found.value_a == pytest.approx(0.30, abs=0.05)


@pytest.mark.parametrize(("offset", "draw"), [(0.3, 0.0), (0.0, 0.5), (-0.2, 0.8), (0.1, 0.3)])
def test_standing_alone_proves_nothing_and_the_bound_holds(offset: float, draw: float) -> None:
    """0.3 to 1 A flow with the key on, common practice: what is shown at rest may be draw or offset."""
    found = find_offset(session({"pack_current": standing(offset, draw)}), LFP)
    assert found.ground == "bounded"
    assert not found.known
    assert "key off" in found.why
    assert abs(found.value_a - offset) < 2.5 * found.uncertainty_a


def stops(offset: float, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Stand for 40 s after each minute of drive."""
    t = np.arange(count * 100) * 1_000_000
    random = np.random.default_rng(5)
    return t, np.where(t % 100_000_000 < 60e6, 40.0, 0.0) + offset + random.normal(0, 0.05, len(t))


def test_a_sensor_far_off_is_known_by_what_it_comes_back_to() -> None:
    found = find_offset(session({"pack_current": stops(-3.0, 6)}), LFP)
    assert found.ground == "comes-back"
    assert abs(found.value_a + 3.0) < 1.645 * found.uncertainty_a < 1.5


@pytest.mark.parametrize(("offset", "count"), [(-3.0, 1), (3.0, 1), (3.0, 6)])
def test_one_stop_far_below_zero_may_be_a_charger_and_any_far_above_a_consumer(offset: float, count: int) -> None:
    found = find_offset(session({"pack_current": stops(offset, count)}), LFP)
    assert not found.known
    assert "charger" in found.why
    low, high = (found.value_a + sign * 1.645 * found.uncertainty_a for sign in (-1, 1))
    assert low < min(0.0, offset) + 0.3  # the usual offset, and a consumer or a charger
    assert high > max(0.0, offset) - 0.3


def test_a_taper_is_no_rest() -> None:
    """It goes through what a sensor 2 A off shows as nothing."""
    t = np.arange(3600) * 1_000_000
    amperes = -30.0 * np.exp(-t / 900e6) + 2.0 + np.random.default_rng(6).normal(0, 0.05, len(t))
    found = find_offset(session({"pack_current": (t, amperes)}), LFP)
    assert "never rested" in found.why


def test_a_dead_band_is_no_proof_of_no_offset() -> None:
    """Electronics that show 0 below half an ampere: zeros say no more than that."""
    t, amperes = standing(0.0, 0.0)
    amperes = np.where(np.abs(amperes) < 0.5, 0.0, np.round(amperes, 1))
    shut = (t, np.where(t < 90e6, 1.0, 0.0))
    found = find_offset(
        session({"pack_current": (t, amperes), "discharge_allowed": shut, "charge_allowed": shut}), LFP
    )
    assert found.uncertainty_a > 0.25


@pytest.mark.parametrize("draw", [0.0, 0.5])
def test_a_long_rest_tells_draw_from_offset_where_the_curve_is_steep(draw: float) -> None:
    table = open_circuit_tables("nmc")[0]
    t = np.arange(0, 20 * 3600, 10) * 1_000_000
    hours = t / 3.6e9
    random = np.random.default_rng(4)
    volts = 14 * (table.volts_at(0.60 - draw * hours / 100.0) - 0.02 * np.exp(-hours * 3))
    volts = np.round(volts + random.normal(0, 0.005, len(t)), 2)
    amperes = np.round(draw + 0.35 + random.normal(0, 0.05, len(t)), 1)
    found = find_offset(session({"pack_current": (t, amperes), "pack_voltage": (t, volts)}), NMC)
    assert found.ground == "rest-drift"
    assert found.value_a == pytest.approx(0.35, abs=max(0.05, 2 * found.uncertainty_a))
    assert found.uncertainty_a < 0.15


def test_without_current_the_usual_bound_stands() -> None:
    t = np.arange(100) * 1_000_000
    found = find_offset(session({"pack_voltage": (t, np.full(100, 52.0))}), LFP)
    assert not found.known
    assert found.uncertainty_a == pytest.approx(0.3)
