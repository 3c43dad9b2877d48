"""Figures of a span, against sums by hand. Invented values."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.analysis.stretch import StretchFigures, find_stretch
from telemetry.machine.pack_keys import Pack
from telemetry.screen.span_figures import span_items

SECOND = 1_000_000


def series(
    amperes: np.ndarray, volts: np.ndarray, cells: CellSeries | None = None, step_s: float = 1.0
) -> SessionSeries:
    t = np.round(np.arange(len(amperes)) * step_s * SECOND).astype(np.int64)
    signals = {"pack_current": Series(t, amperes), "pack_voltage": Series(t, volts)}
    return SessionSeries("a span", int(t[0]), int(t[-1]), 0, "relative", signals, cells)


def test_energy_and_charge_are_those_of_a_steady_load() -> None:
    """36 A at 50 V for 100 s: 1 Ah and 50 Wh, by definition."""
    found = find_stretch(series(np.full(101, 36.0), np.full(101, 50.0)), None)
    assert found.charge_out_ah == pytest.approx(1.0)
    assert found.energy_out_wh == pytest.approx(50.0)
    assert found.mean_power_w == pytest.approx(1800.0)
    assert found.peak_power_w == pytest.approx(1800.0)
    assert (found.charge_in_ah, found.energy_in_wh) == (0.0, 0.0)
    assert span_items(found) == [
        *("50 Wh out", "1.00 Ah out", "mean 1.80 kW", "peak 1.80 kW", "lowest pack 50.0 V"),
        "resistance not known: no machine file says what the pack is",
    ]


def test_what_comes_back_is_told_apart_from_what_goes_out() -> None:
    amperes = np.concatenate((np.full(100, 36.0), np.full(100, -18.0)))
    found = find_stretch(series(amperes, np.full(200, 50.0)), None)
    assert found.charge_out_ah == pytest.approx(0.99, abs=0.01)
    assert found.charge_in_ah == pytest.approx(0.49, abs=0.01)
    assert span_items(found)[:4] == ["50 Wh out", "25 Wh in", "0.99 Ah out", "0.50 Ah in"]


def test_resistance_is_that_of_the_pack_and_within_its_bound() -> None:
    """A pack of 25 mΩ whose load steps every 20 s; the bound is half of the 90 % interval."""
    second = np.arange(0, 600, 0.2)
    amperes = np.where(second % 40 < 20, 5.0, 65.0)
    volts = 80.0 - 0.025 * amperes + np.random.default_rng(3).normal(0, 0.005, len(second))
    pack = Pack(chemistry="lfp", cells_in_series=24, capacity_ah=105.0)
    found = find_stretch(series(amperes, volts, step_s=0.2), pack)
    assert found.resistance_mohm is not None
    assert found.resistance_bound_mohm is not None
    assert abs(found.resistance_mohm - 25.0) <= found.resistance_bound_mohm <= 2.5
    assert any(item == "10 s resistance 26 ± 1 mΩ" for item in span_items(found))


def test_a_short_span_does_not_tell_the_resistance_and_a_long_one_tells_it_better() -> None:
    second = np.arange(0, 1200, 0.2)
    amperes = np.where(second % 40 < 20, 5.0, 65.0)
    volts = 80.0 - 0.025 * amperes + np.random.default_rng(3).normal(0, 0.005, len(second))
    pack = Pack(chemistry="lfp", cells_in_series=24, capacity_ah=105.0)
    short, some, whole = (
        find_stretch(series(amperes[:count], volts[:count], step_s=0.2), pack) for count in (275, 2000, 6000)
    )
    assert short.resistance_mohm is None
    assert "60 s" in short.why_no_resistance
    assert some.resistance_bound_mohm is not None
    assert whole.resistance_bound_mohm is not None
    assert some.resistance_bound_mohm > whole.resistance_bound_mohm


def test_a_steady_load_does_not_show_the_resistance_and_the_reason_is_kept() -> None:
    pack = Pack(chemistry="lfp", cells_in_series=24, capacity_ah=105.0)
    found = find_stretch(series(np.full(100, 36.0), np.full(100, 50.0)), pack)
    assert found.resistance_mohm is None
    assert found.why_no_resistance
    assert f"resistance not known: {found.why_no_resistance}" in span_items(found)


def test_the_lowest_cell_has_its_number_and_gaps_are_told() -> None:
    t = np.arange(0, 40 * SECOND, SECOND, dtype=np.int64)
    voltages = np.full((40, 3), 3.3)
    voltages[7, 1] = 2.91
    cells = CellSeries(t, voltages, (1, 2, 3))
    whole = series(np.full(40, 10.0), np.full(40, 50.0), cells)
    part = {
        name: Series(np.delete(s.t, slice(10, 30)), np.delete(s.values, slice(10, 30)))
        for name, s in whole.signals.items()
    }
    found = find_stretch(SessionSeries("", 0, int(t[-1]), 0, "relative", part, cells), None)
    assert (found.lowest_cell_v, found.lowest_cell) == (2.91, 2)
    assert found.gaps_s == pytest.approx(21.0)
    assert "lowest cell 2.910 V (2)" in span_items(found)
    assert "21 s of gaps left out" in span_items(found)


def test_nothing_known_is_nothing_told() -> None:
    assert span_items(StretchFigures()) == []
    only = SessionSeries(
        "", 0, SECOND, 0, "relative", {"pack_voltage": Series(np.array([0, SECOND]), np.array([3.2, 3.1]))}, None
    )
    assert span_items(find_stretch(only, None)) == ["lowest pack 3.1 V"]
