"""Totals agree with the screen's to the last bit, with worked examples, and with an independent simulation.

From outside: PyBaMM's own running totals in the reference recordings (see tests/reference/README.md); worked
examples of energy and charge by plain arithmetic, marked below.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.instruments import errors_at
from telemetry.analysis.series import Series, SessionSeries, read_series
from telemetry.analysis.session_power import find_power
from telemetry.analysis.totals import find_totals
from telemetry.model.batch import Span
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.recordings.reading import open_recording

ROOT = Path(__file__).parents[2]
RECORDINGS = sorted([*(ROOT / "replay_data").glob("*.csv.gz"), *(ROOT / "tests" / "reference").glob("*_d*.csv.gz")])


def series_of(seconds: np.ndarray, **columns: np.ndarray) -> SessionSeries:
    t = np.round(seconds * 1e6).astype(np.int64)
    signals = {name: Series(t, np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    return SessionSeries("made up", int(t[0]), int(t[-1]), 0, "relative", signals, None)


@pytest.mark.parametrize("file", RECORDINGS, ids=lambda f: f.name.split(".")[0])
def test_the_same_figures_as_on_the_screen(file: Path) -> None:
    stages, snapshot = standard_stages(Judge(())), Snapshot()
    for span in open_recording(file).spans(700):
        snapshot.take(stages.advance(span))
    snapshot.take(stages.advance(Span(snapshot.end, final=True)))
    totals = find_totals(read_series(open_recording(file)))
    for name, figure in (
        ("energy_out", totals.energy_out_wh),
        ("energy_in", totals.energy_in_wh),
        ("charge_out", totals.charge_out_ah),
        ("charge_in", totals.charge_in_ah),
    ):
        reading = snapshot.reading(name)
        assert reading is not None
        assert figure == reading.value
    assert totals.peak_power_w == snapshot.peak_power


class TestWorkedExamples:
    def test_constant_power(self) -> None:
        # 51.2 V, 40 A, 15 min = 512.0 Wh; arithmetic.
        t = np.arange(0, 901.0)
        totals = find_totals(series_of(t, pack_voltage=0 * t + 51.2, pack_current=0 * t + 40.0))
        assert totals.energy_out_wh == pytest.approx(512.0, rel=1e-9)
        assert totals.charge_out_ah == pytest.approx(10.0, rel=1e-9)
        assert totals.mean_power_w == pytest.approx(2048.0)
        assert totals.returned_share_pct == 0.0

    def test_ramp_of_power(self) -> None:
        # 0 to 2000 W in 600 s, trapezoids of 1 s = 166.667 Wh; arithmetic.
        t = np.arange(0, 601.0)
        totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=t / 600 * 40.0))
        assert totals.energy_out_wh == pytest.approx(166.667, rel=1e-4)
        assert totals.peak_power_w == pytest.approx(2000.0)
        assert totals.peak_power_at_s == 600.0

    def test_sine_of_current(self) -> None:
        # 20 A + 10 A sin, period 60 s, for an hour = 20.000 Ah; arithmetic.
        t = np.arange(0, 3601.0)
        totals = find_totals(series_of(t, pack_current=20 + 10 * np.sin(2 * np.pi * t / 60)))
        assert totals.charge_out_ah == pytest.approx(20.0, rel=1e-4)
        assert totals.energy_out_wh is None
        assert "pack_voltage" in totals.unknown["energy_out_wh"]

    def test_what_braking_returns(self) -> None:
        # 1 min out at 2000 W, 15 s in at 800 W: (800/4) / 2000 = 10 %; arithmetic, with the ramps of 1 s between.
        amperes = np.array([40.0] * 61 + [-16.0] * 16)
        t = np.arange(len(amperes), dtype=np.float64)
        totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=amperes, vehicle_speed=0 * t + 8))
        assert totals.returned_share_pct == pytest.approx(10.0, abs=0.3)


def test_what_the_sensors_error_alone_may_be_is_no_return() -> None:
    """At rest a shunt's offset of 0.1 A draws and returns: 90 % of nothing was not returned by braking."""
    t = np.arange(0, 3601.0)
    noise = np.where(t % 20 < 10, 0.1, -0.09)
    unsure = find_totals(series_of(t, pack_voltage=0 * t + 51.2, pack_current=noise), 0.0, 0.1)
    assert unsure.returned_share_pct is None
    assert "its own uncertainty" in unsure.unknown["returned_share_pct"]
    braking = find_totals(series_of(t, pack_voltage=0 * t + 51.2, pack_current=100 * noise), 0.0, 0.1)
    assert braking.returned_share_pct == pytest.approx(90, abs=2)


def test_what_a_charger_brings_is_not_returned() -> None:
    t = np.arange(0, 3000.0)
    amperes = np.where(t < 1000, 40.0, -10.0)
    totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=amperes))
    assert totals.energy_in_wh == pytest.approx(50.0 * 10.0 * 2000 / 3600, rel=1e-2)
    assert totals.returned_share_pct == pytest.approx(0.0, abs=0.1)


class TestOffset:
    @given(offset=st.floats(-2, 2), seed=st.integers(0, 99))
    @settings(max_examples=20)
    def test_a_known_offset_is_taken_off_and_told_apart(self, offset: float, seed: int) -> None:
        rng = np.random.default_rng(seed)
        t, volts = np.arange(0, 200.0), 50 + rng.normal(0, 0.5, 200)
        amperes = rng.normal(10, 20, 200)
        true = find_totals(series_of(t, pack_voltage=volts, pack_current=amperes))
        read = series_of(t, pack_voltage=volts, pack_current=amperes + offset)
        found = find_totals(read, offset_a=offset, offset_uncertainty_a=0.02)
        for name in ("energy_out_wh", "energy_in_wh", "charge_out_ah", "charge_in_ah", "peak_power_w"):
            assert getattr(found, name) == pytest.approx(getattr(true, name), rel=1e-9)
            assert found.as_read[name] == pytest.approx(getattr(find_totals(read), name), rel=1e-12)
        assert found.current_offset_a == offset

    @given(seed=st.integers(0, 99))
    @settings(max_examples=10)
    def test_its_uncertainty_is_how_much_a_wrong_offset_changes(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        t, volts = np.arange(0, 400.0), 50 + rng.normal(0, 0.5, 400)
        read = series_of(t, pack_voltage=volts, pack_current=10 + 30 * np.sin(t / 40) + rng.normal(0, 0.1, 400))
        sigma = 0.01
        found = find_totals(read, offset_a=0.0, offset_uncertainty_a=sigma)
        other = find_totals(read, offset_a=sigma)
        for name in ("energy_out_wh", "energy_in_wh", "charge_out_ah", "charge_in_ah"):
            change = abs(getattr(other, name) - getattr(found, name))
            assert found.parts[name]["offset"] == pytest.approx(change, rel=0.03)

    def test_an_offset_that_nobody_knows_is_said(self) -> None:
        t = np.arange(0, 60.0)
        assert "current_offset_a" in find_totals(series_of(t, pack_current=t)).unknown


def test_gain_is_within_one_per_cent_unless_stated() -> None:
    t = np.arange(0, 3600.0)
    made = series_of(t, pack_voltage=0 * t + 50.0, pack_current=0 * t + 20.0)
    assert find_totals(made).uncertainty["charge_out_ah"] == pytest.approx(0.2 / np.sqrt(3), rel=1e-3)
    usual = errors_at(None, None)
    sure = replace(usual, current=replace(usual.current, gain_sd=0.003))
    assert find_totals(made, errors=sure).uncertainty["charge_out_ah"] == pytest.approx(0.06, rel=1e-3)


def test_a_gap_adds_nothing_and_widens() -> None:
    t = np.concatenate([np.arange(0, 600.0), np.arange(1100.0, 1700.0)])
    totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=0 * t + 30.0))
    assert totals.gaps_s == pytest.approx(501.0)
    assert totals.charge_out_ah == pytest.approx(30 * 1198 / 3600)
    assert totals.parts["charge_out_ah"]["gaps"] == pytest.approx(30 * 501 / 3600)
    parked = np.where((t > 500) & (t < 1200), 0.0, 30.0)
    totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=parked))
    assert totals.parts["charge_out_ah"]["gaps"] == 0.0


def test_what_stands_after_a_gap_of_two_hours_stands() -> None:
    t = np.concatenate([np.arange(0, 600.0), np.arange(7800.0, 8400.0)])
    totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=0 * t + 30.0))
    assert totals.gaps_s == pytest.approx(7201.0)
    assert totals.energy_out_wh == pytest.approx(1500 * 1198 / 3600)
    assert totals.uncertainty["energy_out_wh"] == pytest.approx(
        np.hypot(0.01, 0.003) / np.sqrt(3) * 1500 * 1198 / 3600
    )


class TestLittle:
    def test_one_row(self) -> None:
        t = np.array([1.0])
        totals = find_totals(series_of(t, pack_voltage=t, pack_current=t))
        assert totals.energy_out_wh == 0.0
        assert totals.mean_power_w is None
        assert set(totals.unknown) >= {"mean_power_w", "returned_share_pct"}

    def test_voltage_only(self) -> None:
        t = np.arange(0, 60.0)
        totals = find_totals(series_of(t, pack_voltage=t))
        assert totals.charge_out_ah is None
        assert totals.unknown["charge_out_ah"] == "pack_current was not recorded"

    def test_never_together(self) -> None:
        made = series_of(np.arange(0, 10.0), pack_voltage=np.full(10, 50.0))
        late = series_of(np.arange(1000, 1010.0), pack_current=np.full(10, 5.0))
        both = SessionSeries("made up", made.start, late.end, 0, "relative", {**made.signals, **late.signals}, None)
        totals = find_totals(both)
        assert totals.energy_out_wh is None
        assert "never known together" in totals.unknown["energy_out_wh"]
        assert totals.charge_out_ah is not None


@pytest.mark.parametrize("file", [f for f in RECORDINGS if f.parent.name == "reference"], ids=lambda f: f.name[:8])
def test_an_independent_simulation(file: Path) -> None:
    # Source: PyBaMM's "Discharge capacity" and "Discharge energy", integrated inside its solver.
    series = read_series(open_recording(file))
    totals = find_totals(series)
    assert totals.charge_out_ah is not None
    assert totals.charge_in_ah is not None
    assert totals.energy_out_wh is not None
    assert totals.energy_in_wh is not None
    for figure, net in (("charge_ah", totals.charge_out_ah - totals.charge_in_ah), ("energy_wh", None)):
        reference = series.get(f"extra_reference_{figure}")
        assert reference is not None
        found = net if net is not None else totals.energy_out_wh - totals.energy_in_wh
        assert found == pytest.approx(reference.values[-1] - reference.values[0], rel=1e-3)


def test_a_controller_that_was_never_connected_gives_no_voltage() -> None:
    t = np.arange(0, 60.0)
    power = find_power(series_of(t, controller_voltage=0 * t, pack_current=0 * t + 10.0))
    assert power.current is not None
    assert power.power is None
    assert not len(power.voltage)


def test_a_change_between_two_rows_came_at_any_moment_between_them() -> None:
    """Pulls that begin and end at drawn moments, read once a second: the sum is off by what the bound says."""
    random = np.random.default_rng(7)
    t, off, said = np.arange(0, 60.0), [], 0.0
    for _ in range(400):
        begin, end = np.sort(random.uniform(5.0, 55.0, 2))
        amperes = np.where((t >= begin) & (t < end), 36.0, 0.0)
        totals = find_totals(series_of(t, pack_voltage=0 * t + 50.0, pack_current=amperes))
        assert totals.charge_out_ah is not None
        if end - begin > 2.0:
            off.append(totals.charge_out_ah - 36.0 * (end - begin) / 3600)
            said = totals.parts["charge_out_ah"]["sampling"]
    assert said == pytest.approx(float(np.std(off)), rel=0.1)
    assert said == pytest.approx(36.0 / 3600 * np.sqrt(2 / 12))
