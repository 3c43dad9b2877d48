"""Rest, drive, work and charge are told apart, follow each other without holes and add up to the totals.

The sessions are the simulated ones in replay_data, where a signal says what is true, and drives made up here.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.phase_implement import implement_cost
from telemetry.analysis.phases import Phases, find_phases
from telemetry.analysis.series import Series, SessionSeries, read_series
from telemetry.analysis.session_power import find_power
from telemetry.analysis.totals import find_totals
from telemetry.model.events import Mark
from telemetry.recordings.reading import open_recording

SESSIONS = Path(__file__).parents[2] / "replay_data"


def series_of(seconds: np.ndarray, events: tuple[Mark, ...] = (), **columns: np.ndarray) -> SessionSeries:
    t = np.round(seconds * 1e6).astype(np.int64)
    signals = {name: Series(t, np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    return SessionSeries("made up", int(t[0]), int(t[-1]), 0, "relative", signals, None, events)


def without(series: SessionSeries, *names: str) -> SessionSeries:
    return replace(series, signals={k: v for k, v in series.signals.items() if k not in names})


def kinds(phases: Phases) -> list[str]:
    return [phase.kind for phase in phases.phases]


@pytest.fixture(scope="module")
def mow() -> SessionSeries:
    return read_series(open_recording(SESSIONS / "orchard-mow.csv.gz"))


class TestMowing:
    def test_work_by_signal(self, mow: SessionSeries) -> None:
        phases = find_phases(mow)
        signal = mow.get("implement_engaged")
        assert signal is not None
        assert phases.work_by == "signal"
        engaged_s = float(np.mean(signal.values)) * mow.duration_s
        assert sum(each.duration_s for each in phases.of("work")) == pytest.approx(engaged_s, rel=0.01)
        assert len(phases.of("work")) == 8

    def test_work_by_load_agrees_with_the_signal_that_was_taken_away(self, mow: SessionSeries) -> None:
        true = find_phases(mow)
        found = find_phases(without(mow, "implement_engaged"))
        assert found.work_by == "load"
        assert len(found.of("work")) == len(true.of("work"))
        for one, other in zip(found.of("work"), true.of("work"), strict=True):
            assert one.start_s == pytest.approx(other.start_s, abs=3.0)
            assert one.end_s == pytest.approx(other.end_s, abs=3.0)

    def test_work_by_mark(self, mow: SessionSeries) -> None:
        true = find_phases(mow).of("work")
        marks = [Mark(p.start, "load on") for p in true[:3]] + [Mark(p.end, "Load off") for p in true[:3]]
        marked = replace(without(mow, "implement_engaged"), events=tuple(sorted(marks, key=lambda m: m.t)))
        found = find_phases(marked)
        assert found.work_by == "mark"
        assert len(found.of("work")) == 3
        assert found.of("work")[0].start_s == pytest.approx(true[0].start_s, abs=1.5)

    def test_what_the_implement_costs(self, mow: SessionSeries) -> None:
        # The simulated deck draws 2500 W in ordinary growth, less where the growth is thin.
        phases, power = find_phases(mow), find_power(mow)
        spans = [[(p.start, p.end) for p in phases.of(*k)] for k in (("work",), ("drive", "rest"))]
        cost = implement_cost(mow, power, *spans)
        assert cost.power_w == pytest.approx(2500, rel=0.12)
        assert cost.uncertainty_w is not None
        assert 0 < cost.uncertainty_w < 150
        blind = implement_cost(without(mow, "vehicle_speed"), power, *spans)
        assert blind.power_w is None
        assert "vehicle_speed" in blind.unknown["power_w"]


def test_a_drive_without_an_implement_has_no_work() -> None:
    series = read_series(open_recording(SESSIONS / "market-round.csv.gz"))
    phases = find_phases(series)
    assert phases.work_by is None
    assert not phases.of("work")
    assert "never engaged" in phases.unknown["work"]
    assert "load on" in find_phases(without(series, "implement_engaged")).unknown["work"]
    assert sum(each.returned_wh or 0.0 for each in phases.of("drive")) == pytest.approx(43.8, abs=0.5)


def test_charge_then_rest() -> None:
    phases = find_phases(read_series(open_recording(SESSIONS / "evening-charge.csv.gz")))
    assert kinds(phases) == ["charge", "rest"]
    charge = phases.phases[0]
    assert charge.charge_ah == pytest.approx(-79.7, abs=0.1)
    assert charge.energy_wh is not None
    assert charge.energy_wh < 0


@pytest.mark.parametrize("file", ["orchard-mow", "market-round", "evening-charge"])
def test_phases_add_up_and_leave_no_hole(file: str) -> None:
    series = read_series(open_recording(SESSIONS / f"{file}.csv.gz"))
    phases, totals = find_phases(series), find_totals(series)
    found = phases.phases
    assert all(one.end == other.start for one, other in pairwise(found))
    assert all(one.kind != other.kind for one, other in pairwise(found))
    assert totals.energy_out_wh is not None
    assert totals.energy_in_wh is not None
    net = sum(p.energy_wh or 0.0 for p in found)
    assert net == pytest.approx(totals.energy_out_wh - totals.energy_in_wh, rel=1e-9)
    assert sum(p.returned_wh or 0.0 for p in found) == pytest.approx(totals.energy_in_wh, rel=1e-9)


class TestMadeUp:
    def test_a_long_slope_is_no_charger(self) -> None:
        # two minutes of braking down a hill, then a charger for ten
        t = np.arange(0, 1500.0)
        amperes = np.where(t < 300, 20.0, np.where(t < 420, -8.0, np.where(t < 700, 0.1, -10.0)))
        speed = np.where(t < 420, 8.0, 0.0)
        phases = find_phases(series_of(t, pack_voltage=0 * t + 50, pack_current=amperes, vehicle_speed=speed))
        assert kinds(phases) == ["drive", "rest", "charge"]
        assert phases.phases[0].returned_wh == pytest.approx(8 * 50 * 120 / 3600, rel=0.02)
        assert phases.phases[2].start_s == pytest.approx(700, abs=2)

    def test_one_long_climb_is_no_work_unless_an_implement_is_stated(self) -> None:
        t = np.arange(0, 1200.0)
        amperes = np.where((t > 400) & (t < 700), 70.0, 15.0) + np.random.default_rng(1).normal(0, 1, len(t))
        made = series_of(t, pack_voltage=0 * t + 50, pack_current=amperes, vehicle_speed=0 * t + 7)
        assert find_phases(made).work_by is None
        assert find_phases(made, has_implement=False).work_by is None
        stated = find_phases(made, has_implement=True)
        assert stated.work_by == "load"
        assert sum(each.duration_s for each in stated.of("work")) == pytest.approx(300, abs=5)

    def test_the_meter_at_the_wall_tells_a_short_charge(self) -> None:
        t = np.arange(0, 400.0)
        amperes = np.where((t > 200) & (t < 240), -10.0, 0.1)
        wall = np.where((t > 200) & (t < 240), 600.0, 5.0)
        made = series_of(t, pack_voltage=0 * t + 50, pack_current=amperes, charger_input_power=wall)
        assert kinds(find_phases(made)) == ["rest", "charge", "rest"]

    def test_key_on_is_rest(self) -> None:
        # a key that is on draws 0.3 to 1 A (common practice): no drive
        t = np.arange(0, 900.0)
        phases = find_phases(series_of(t, pack_voltage=0 * t + 50, pack_current=0 * t + 0.8), capacity_ah=100.0)
        assert kinds(phases) == ["rest"]

    def test_a_gap_parts_phases(self) -> None:
        t = np.concatenate([np.arange(0, 600.0), np.arange(7800.0, 8400.0)])
        phases = find_phases(series_of(t, pack_voltage=0 * t + 50, pack_current=0 * t + 20))
        assert kinds(phases) == ["drive", "drive"]
        first, second = phases.phases
        assert first.end_s <= 601
        assert second.start_s >= 7799
        assert first.known_s + second.known_s == pytest.approx(1198, abs=2)

    def test_current_alone_gives_charge_but_no_energy(self) -> None:
        t = np.arange(0, 600.0)
        phases = find_phases(series_of(t, pack_current=0 * t + 20))
        assert phases.phases[0].energy_wh is None
        assert phases.phases[0].charge_ah == pytest.approx(20 * 599 / 3600)
        assert "pack_voltage" in phases.unknown["energy_wh"]

    def test_no_current_is_no_phases(self) -> None:
        t = np.arange(0, 600.0)
        phases = find_phases(series_of(t, pack_voltage=t))
        assert phases.phases == ()
        assert "pack_current" in phases.unknown["phases"]

    @given(st.integers(0, 10_000))
    @settings(max_examples=30)
    def test_whatever_flows_phases_cover_it_once(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        levels = rng.choice([0.0, 0.4, -12.0, 25.0, 80.0], 30)
        amperes = np.repeat(levels, rng.integers(1, 200, 30))
        t = np.cumsum(rng.uniform(0.5, 1.2, len(amperes)))
        made = series_of(t, pack_voltage=50 - 0.02 * amperes, pack_current=amperes)
        phases = find_phases(made).phases
        assert phases[0].start == made.start
        assert phases[-1].end == made.end
        assert all(one.end == other.start for one, other in pairwise(phases))
        power = find_power(made).power
        assert power is not None
        net = power.out[-1] - power.into[-1]
        assert sum(p.energy_wh or 0.0 for p in phases) == pytest.approx(net, rel=1e-9, abs=1e-9)
