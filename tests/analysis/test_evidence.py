"""What is wrong with the evidence is named, and nothing is found wrong where nothing is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.evidence import find_evidence, sign_of_current
from telemetry.analysis.series import CellSeries, Series, SessionSeries, read_series
from telemetry.machine.machine_file import load_machine
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.recordings.reading import open_recording
from tests.reference.other_drives import other_drive

ROOT = Path(__file__).parents[2]
SESSIONS = ROOT / "replay_data"
PAIRS = [("orchard-mow", "orchard"), ("market-round", "market"), ("evening-charge", "orchard")]


def series_of(seconds: np.ndarray, **columns: np.ndarray) -> SessionSeries:
    t = np.round(seconds * 1e6).astype(np.int64)
    signals = {name: Series(t, np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    return SessionSeries("made up", int(t[0]), int(t[-1]), 0, "relative", signals, None)


def names(series: SessionSeries, machine: Machine | None = None) -> list[str]:
    return [finding.name for finding in find_evidence(series, machine)]


def turned(series: SessionSeries) -> SessionSeries:
    current = series.signals["pack_current"]
    return replace(series, signals={**series.signals, "pack_current": Series(current.t, -current.values)})


def only(series: SessionSeries, *kept: str) -> SessionSeries:
    return replace(series, signals={k: v for k, v in series.signals.items() if k in kept})


@pytest.fixture(scope="module", params=PAIRS, ids=lambda pair: pair[0])
def session(request: pytest.FixtureRequest) -> tuple[SessionSeries, Machine]:
    recording, machine = request.param
    series = read_series(open_recording(SESSIONS / f"{recording}.csv.gz"))
    return series, load_machine(SESSIONS / f"{machine}.toml")


def test_nothing_is_wrong_with_good_evidence(session: tuple[SessionSeries, Machine]) -> None:
    assert find_evidence(*session) == []


def test_a_turned_current_is_found(session: tuple[SessionSeries, Machine]) -> None:
    series, machine = session
    assert "sign-of-current" in names(turned(series), machine)
    finding = next(f for f in find_evidence(turned(series)) if f.name == "sign-of-current")
    assert "sign_of_current" in finding.remedy


@pytest.mark.parametrize("cause", ["healthy", "pedal-sensor", "controller", "mechanical-drag"])
def test_drives_of_the_second_simulator_have_the_right_sign(cause: str) -> None:
    series = other_drive(cause, 3).series()
    assert "sign-of-current" not in names(series)
    if sign_of_current(series).steps >= 20:
        assert "sign-of-current" in names(turned(series))


class TestSignOfCurrent:
    @given(seed=st.integers(0, 999), late=st.floats(0, 0.5), noise=st.floats(0, 0.05))
    @settings(max_examples=10)
    def test_by_steps_whatever_the_lag_and_noise(self, seed: int, late: float, noise: float) -> None:
        rng = np.random.default_rng(seed)
        t = np.arange(0, 600, 0.2)
        levels = np.repeat(rng.uniform(0, 80, 60), 50)
        volts = 52 - 0.02 * np.interp(t - late, t, levels) + rng.normal(0, noise, len(t))
        made = series_of(t, pack_voltage=volts, pack_current=levels)
        found = sign_of_current(made)
        assert not found.wrong
        assert found.resistance_ohm == pytest.approx(0.02, rel=0.1)
        assert sign_of_current(turned(made)).wrong

    @given(seed=st.integers(0, 999))
    @settings(max_examples=25)
    def test_noise_alone_shows_nothing(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        t = np.arange(0, 900.0)
        made = series_of(t, pack_voltage=52 + rng.normal(0, 0.1, 900), pack_current=rng.normal(0, 5, 900))
        found = sign_of_current(made)
        # a sign test at one in a thousand: the number of agreeing steps stays near half
        assert abs(found.agreeing / found.steps - 0.5) < 0.2
        assert not found.wrong

    def test_too_few_steps_are_no_proof(self) -> None:
        t = np.arange(0, 100.0)
        assert not sign_of_current(series_of(t, pack_voltage=50 + t / 99, pack_current=t)).wrong

    @pytest.mark.parametrize(
        ("amperes", "change", "says"),
        [
            (0.6, 2.0, "The voltage rises by 1.8 V during what the sign of the current calls a discharge."),
            (-0.6, -2.0, "The voltage falls by 1.8 V during what the sign of the current calls a charge."),
            (0.6, -2.0, ""),
            (0.2, 2.0, ""),  # too little flows to say anything
            (0.6, 0.4, ""),  # and here too little follows
        ],
    )
    def test_a_long_steady_flow_that_goes_the_wrong_way(self, amperes: float, change: float, says: str) -> None:
        t = np.arange(0, 1200.0)
        made = series_of(t, pack_voltage=52 + change * t / 1200, pack_current=0 * t + amperes)
        found = [each.sentence for each in find_evidence(made) if each.name == "sign-of-current"]
        assert found == ([says] if says else [])


class TestMissing:
    def test_nothing_at_all(self) -> None:
        assert names(SessionSeries("made up", 0, 0, 0, "relative", {}, None)) == ["empty"]

    def test_voltage_only(self, session: tuple[SessionSeries, Machine]) -> None:
        series, machine = session
        assert names(replace(only(series, "pack_voltage"), cells=None), machine) == ["voltage-only"]

    def test_no_current(self, session: tuple[SessionSeries, Machine]) -> None:
        assert "no-current" in names(replace(only(session[0], "vehicle_speed"), cells=None))

    def test_cells_without_pack_voltage(self, session: tuple[SessionSeries, Machine]) -> None:
        assert "cells-without-pack-voltage" in names(only(session[0], "pack_current"))

    def test_current_without_voltage(self) -> None:
        t = np.arange(0, 100.0)
        made = series_of(t, pack_current=t, controller_voltage=0 * t + 50)
        finding = next(f for f in find_evidence(made) if f.name == "no-voltage")
        assert "cable" in finding.sentence


class TestAgainstTheMachineFile:
    def test_number_of_cells(self, session: tuple[SessionSeries, Machine]) -> None:
        series, machine = session
        wrong = replace(machine, pack=replace(machine.pack, cells_in_series=machine.pack.cells_in_series + 1))
        assert "cell-count" in names(series, wrong)

    def test_chemistry(self, session: tuple[SessionSeries, Machine]) -> None:
        series, machine = session
        wrong = replace(machine, pack=replace(machine.pack, chemistry="lto"))
        assert "voltage-against-chemistry" in names(series, wrong)

    @pytest.mark.parametrize("factor", [0.1, 10.0])
    @pytest.mark.parametrize("recording", ["orchard-mow", "evening-charge"])
    def test_capacity_ten_times_off(self, recording: str, factor: float) -> None:
        series = read_series(open_recording(SESSIONS / f"{recording}.csv.gz"))
        machine = load_machine(SESSIONS / "orchard.toml")
        wrong = replace(machine, pack=replace(machine.pack, capacity_ah=factor * machine.pack.capacity_ah))
        assert "capacity" in names(series, wrong)

    def test_cells_that_do_not_add_up(self, session: tuple[SessionSeries, Machine]) -> None:
        series, machine = session
        voltage = series.signals["pack_voltage"]
        scaled = replace(series, signals={**series.signals, "pack_voltage": Series(voltage.t, 1.05 * voltage.values)})
        assert "cells-against-pack" in names(scaled, machine)


class TestLength:
    def test_ten_seconds(self) -> None:
        t = np.arange(0, 10, 0.1)
        made = series_of(t, pack_voltage=50 - t / 10, pack_current=t)
        assert names(made) == ["short"]
        assert "10 s" in find_evidence(made)[0].sentence

    def test_a_gap_of_two_hours(self) -> None:
        t = np.concatenate([np.arange(0, 600.0), np.arange(7800.0, 8400.0)])
        made = series_of(t, pack_voltage=50 + 0 * t, pack_current=20 + np.sin(t))
        finding = next(f for f in find_evidence(made) if f.name == "gap")
        assert "2 h 00 min" in finding.sentence
        assert "from 0:09:59 on" in finding.sentence


def test_a_second_of_load_says_nothing_of_the_sign() -> None:
    t = np.arange(0, 1.0, 0.1)
    found = sign_of_current(series_of(t, pack_voltage=50 - t, pack_current=20 * t))
    assert (found.steps, found.resistance_ohm) == (0, None)


def test_cells_that_were_recorded_before_the_pack_voltage_are_not_held_against_it() -> None:
    t = np.arange(0, 300.0)
    made = series_of(t + 600, pack_voltage=26 + 0.1 * np.sin(t / 9), pack_current=20 + np.sin(t))
    volts = 3.3 + 0.01 * np.sin(t / 9)[:, None] * np.ones(16)  # of twice as many cells as the pack's voltage
    made = replace(made, start=0, cells=CellSeries(np.round(t * 1e6).astype(np.int64), volts, tuple(range(1, 17))))
    assert "cells-against-pack" not in names(made)


class TestStuck:
    T = np.arange(0, 900.0)

    def test_current(self) -> None:
        moves = 50 + 2 * np.sin(self.T / 30)
        for value in (0.0, 12.3):
            assert "stuck" in names(series_of(self.T, pack_voltage=moves, pack_current=0 * self.T + value))

    def test_a_parked_machine_whose_sensor_shows_nothing_is_not_stuck(self) -> None:
        assert names(series_of(self.T, pack_voltage=0 * self.T + 50, pack_current=0 * self.T)) == []

    def test_voltage(self) -> None:
        made = series_of(self.T, pack_voltage=0 * self.T + 50, pack_current=20 + 20 * np.sin(self.T / 30))
        assert "stuck" in names(made)

    def test_a_cell(self) -> None:
        t = np.round(self.T * 1e6).astype(np.int64)
        volts = 3.3 + 0.05 * np.sin(self.T / 30)[:, None] * np.ones(8)
        volts[:, 4] = 3.301
        made = series_of(self.T, pack_voltage=volts.sum(axis=1))
        made = replace(made, cells=CellSeries(t, volts, tuple(range(1, 9))))
        finding = next(f for f in find_evidence(made) if f.name == "stuck")
        assert finding.sentence.startswith("Cell 5 ")

    def test_a_sensor_of_temperature_that_is_not_there(self) -> None:
        made = series_of(self.T, pack_current=np.sin(self.T), pack_temperature_1=0 * self.T)
        assert "stuck" in names(made)


@given(seed=st.integers(0, 10_000), count=st.integers(1, 40))
@settings(max_examples=30)
def test_whatever_comes_it_ends_in_sentences(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([0.1, 1.0, 5.0, 3000.0], count, p=[0.4, 0.4, 0.15, 0.05]))
    every = ("pack_voltage", "pack_current", "soc_reported", "vehicle_speed", "pack_temperature_1")
    chosen = [name for name in every if rng.random() < 0.6]
    made = series_of(t, **{name: rng.choice([0.0, rng.uniform(-50, 100)], count) for name in chosen})
    machine = Machine(pack=Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0))
    for finding in find_evidence(made, machine):
        assert finding.sentence.endswith(".")
        assert finding.remedy.endswith(".")
        assert "nan" not in finding.sentence
