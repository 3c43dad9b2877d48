"""A charge's parts, its end, what it left undone, and what it cost at the wall.

From outside: the arithmetic of a constant-current, constant-voltage charge, worked by hand beside each check. The
packs are made up of cells that follow one curve, so that what each lacks is known.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.cells import CellParameters, Cells, OddCell
from telemetry.analysis.charging import (
    ChargeFacts,
    Charging,
    constant_current_hours,
    find_charging,
    time_to_full_h,
)
from telemetry.analysis.charging_tail import tail_charge_ah, tail_hours
from telemetry.analysis.phases import find_phases
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import CellSeries, Series, SessionSeries, read_series
from telemetry.analysis.session_power import find_power
from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.recordings.reading import open_recording

SESSIONS = Path(__file__).parents[2] / "replay_data"
LFP = CHEMISTRIES["lfp"]
FACTS = ChargeFacts(chemistry=LFP, cells_in_series=8, capacity_ah=100.0, end_current_a=5.0, balance_current_ma=100.0)


def pack(
    amperes: np.ndarray, behind_ah: np.ndarray, room_ah: float, step_s: float = 5.0, **more: np.ndarray
) -> SessionSeries:
    """Return a charge with ``amperes`` (into the pack) of cells that lack ``room_ah + behind_ah`` at the start.

    A cell stands at 3.34 V plus 0.28 V exp(-lack / 0.8 Ah), and 0.4 mOhm times the current.
    """
    t = np.arange(len(amperes)) * step_s
    charge = np.concatenate([[0.0], np.cumsum(0.5 * (amperes[1:] + amperes[:-1]) * step_s / 3600)])
    lack = room_ah + behind_ah[None, :] - charge[:, None]
    volts = 3.34 + 0.28 * np.exp(-np.maximum(lack, 0.0) / 0.8) + 0.0004 * amperes[:, None]
    times = np.round(t * 1e6).astype(np.int64)
    columns = {"pack_current": -amperes, "pack_voltage": volts.sum(axis=1), **more}
    signals = {name: Series(times, np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    cells = CellSeries(times, np.round(volts, 3), tuple(range(1, len(behind_ah) + 1)))
    return SessionSeries("made up", 0, int(times[-1]), 0, "relative", signals, cells)


def charge_of(series: SessionSeries, facts: ChargeFacts = FACTS) -> Charging:
    found = find_charging(series, find_power(series), find_phases(series).of("charge"), facts)
    assert found is not None
    return found


class TestArithmetic:
    def test_constant_current(self) -> None:
        # 80 Ah at 18 A = 4.444 h, and 4.535 h where 0.98 of it is stored.
        assert constant_current_hours(80, 18) == pytest.approx(4.444, rel=1e-3)
        assert constant_current_hours(80, 18, 0.98) == pytest.approx(4.535, rel=1e-3)

    def test_tail(self) -> None:
        # I = I0 exp(-t/tau): 18 A to 5 A at 0.4 h takes 0.5124 h and 5.20 Ah.
        assert tail_hours(18, 5, 0.4) == pytest.approx(0.5124, rel=1e-3)
        assert tail_charge_ah(18, 5, 0.4) == pytest.approx(5.20, rel=1e-3)

    def test_time_to_full_is_both_parts(self) -> None:
        # 80 Ah: 74.8 at 18 A, then the tail above.
        found = time_to_full_h(Range.exactly(80), 18, 5, Range.exactly(0.4))
        assert found.mid == pytest.approx(74.8 / 18 + 0.5124, rel=1e-3)
        assert found.low == found.mid == found.high

    @given(ah=st.floats(0, 200), current=st.floats(6, 60), tau=st.floats(0.02, 1))
    def test_more_to_charge_never_takes_less(self, ah: float, current: float, tau: float) -> None:
        low, _, high = time_to_full_h(Range(ah, ah, ah + 1), current, 5, Range.exactly(tau))
        assert 0 <= low <= high

    @given(tau=st.floats(0.05, 0.8), end=st.floats(1, 10))
    @settings(max_examples=30)
    def test_the_tail_alone_joins_the_first_part_without_a_step(self, tau: float, end: float) -> None:
        whole = tail_charge_ah(18, end, tau)
        found = time_to_full_h(Range.exactly(whole), 18, end, Range.exactly(tau))
        assert found.mid == pytest.approx(tail_hours(18, end, tau), rel=1e-6)


class TestPartsAndEnding:
    def test_constant_current_then_tail(self) -> None:
        hours = np.arange(0, 0.5124, 5 / 3600)
        amperes = np.concatenate([np.full(1440, 18.0), 18 * np.exp(-hours / 0.4), np.zeros(120)])
        steady = np.concatenate([np.linspace(53, 57.6, 1440), np.full(len(hours) + 120, 57.6)])
        found = charge_of(pack(amperes, np.zeros(8), 60.0, pack_voltage=steady))
        assert found.ending == "tapered"
        assert found.constant_current_a == pytest.approx(18.0)
        assert found.constant_current_s == pytest.approx(7200, abs=90)  # the tail counts from 5 % below
        assert found.tail_hours == pytest.approx(0.4, rel=0.02)
        assert found.end_current_a == pytest.approx(5.0, rel=0.05)
        assert found.charge_in_ah == pytest.approx(36 + 5.2, rel=0.01)
        assert found.false_full is False
        assert found.time_to_full_h is not None
        assert found.time_to_full_h.mid == 0.0

    @pytest.mark.parametrize("offset_a", [0.0, 1.0, 4.0])
    def test_a_pulled_plug_is_no_taper_whatever_the_sensor_shows_then(self, offset_a: float) -> None:
        amperes = np.concatenate([np.full(1440, 18.0), np.full(360, offset_a)])
        found = charge_of(pack(amperes, np.zeros(8), 60.0))
        assert found.ending == "ended-early"
        assert found.end_current_a == pytest.approx(18.0)
        assert "not full" in found.sentence

    def test_one_cell_stops_it(self) -> None:
        # cell 3 is 4 Ah ahead: it reaches its limit while the others are still on the plateau's edge
        behind = np.full(8, 4.0)
        behind[2] = 0.0
        behind[5] = 6.0
        flowing = np.full(round(20 / 18 * 720), 18.0)
        amperes = np.concatenate([flowing, np.zeros(240)])
        allowed = np.concatenate([np.ones(len(flowing)), np.zeros(240)])
        made = pack(amperes, behind, 20.0, charge_allowed=allowed)
        found = charge_of(made)
        assert found.ending == "cell-stopped"
        assert found.stopped_by_cell == 3
        assert found.false_full is True
        assert found.missing_ah is not None
        assert found.missing_ah.low < 6.0 < found.missing_ah.high
        assert found.balancing_h is not None
        assert found.balancing_h.low < 60 < found.balancing_h.high
        assert found.missing_ah.low > 2.0
        assert "pack is not full" in found.sentence
        assert "Cell 3" in found.sentence

    @pytest.mark.parametrize(
        ("facts", "unknown"),
        [
            (replace(FACTS, balance_current_ma=None), {"time_to_full_h": "only as fast as its cells balance"}),
            (
                replace(FACTS, capacity_ah=None),
                {"false_full": "the capacity, or how far the other cells were behind"},
            ),
        ],
    )
    def test_what_a_charge_that_a_cell_stopped_does_not_tell_has_its_reason(self, facts, unknown) -> None:
        behind = np.full(8, 4.0)
        behind[2] = 0.0
        flowing = np.full(800, 18.0)
        allowed = np.concatenate([np.ones(800), np.zeros(240)])
        found = charge_of(pack(np.concatenate([flowing, np.zeros(240)]), behind, 20.0, charge_allowed=allowed), facts)
        assert found.ending == "cell-stopped"
        for name, words in unknown.items():
            assert getattr(found, name) is None
            assert words in found.unknown[name]

    def test_a_charge_without_any_voltage_has_its_times_and_no_energy(self) -> None:
        hours = np.arange(0, 0.5124, 5 / 3600)
        amperes = np.concatenate([np.full(1440, 18.0), 18 * np.exp(-hours / 0.4), np.zeros(120)])
        made = pack(amperes, np.zeros(8), 60.0)
        made = replace(made, signals={"pack_current": made.signals["pack_current"]}, cells=None)
        found = charge_of(made)
        assert found.tail_hours == pytest.approx(0.4, rel=0.02)
        assert found.charge_in_ah == pytest.approx(36 + 5.2, rel=0.01)
        assert found.energy_in_wh is None
        assert "neither pack_voltage nor controller_voltage" in found.unknown["energy_in_wh"]

    @pytest.mark.parametrize("behind_ah", [0.4, 0.8, 1.2])
    def test_how_far_a_cell_is_behind_on_the_steep_part(self, behind_ah: float) -> None:
        behind = np.full(8, behind_ah / 2)
        behind[0], behind[7] = 0.0, behind_ah
        amperes = np.concatenate([np.full(round(20 / 18 * 720), 18.0), np.zeros(240)])
        found = charge_of(pack(amperes, behind, 20.0))
        assert found.imbalance_ah is not None
        assert found.imbalance_ah.mid == pytest.approx(behind_ah, abs=0.05)
        assert found.balancing_h is not None
        assert found.balancing_h.mid == pytest.approx(10 * behind_ah, abs=0.5)

    def test_broken_off(self) -> None:
        amperes = np.concatenate([np.full(1440, 18.0), np.zeros(240)])
        facts = replace(FACTS, end_pct=Range(58, 60, 62))
        found = charge_of(pack(amperes, np.zeros(8), 80.0), facts)
        assert found.ending == "ended-early"
        assert found.false_full is None
        assert found.missing_ah == pytest.approx((38, 40, 42))
        assert found.time_to_full_h is not None
        assert found.time_to_full_h.low < 40 / 18 + 0.2 < found.time_to_full_h.high + 0.3
        assert "plateau" in found.unknown["imbalance_ah"]
        blind = charge_of(pack(amperes, np.zeros(8), 80.0))
        assert "state of charge" in blind.unknown["missing_ah"]

    def test_broken_off_in_the_tail(self) -> None:
        # at 10 A of a tail with tau 0.4 h that would end at 5 A, 2.0 Ah are lost
        hours = np.arange(0, 0.4 * np.log(1.8), 5 / 3600)
        amperes = np.concatenate([np.full(1440, 18.0), 18 * np.exp(-hours / 0.4), np.zeros(120)])
        steady = np.concatenate([np.linspace(53, 57.6, 1440), np.full(len(hours) + 120, 57.6)])
        found = charge_of(pack(amperes, np.zeros(8), 60.0, pack_voltage=steady), replace(FACTS, chemistry=None))
        assert found.ending == "ended-early"
        assert found.missing_ah is not None
        assert found.missing_ah.mid == pytest.approx(2.0, rel=0.1)

    def test_still_running(self) -> None:
        found = charge_of(pack(np.full(1440, 18.0), np.zeros(8), 80.0), replace(FACTS, end_pct=Range(58, 60, 62)))
        assert found.ending == "running"
        assert found.time_to_full_h is not None
        assert found.time_to_full_h.mid == pytest.approx(40 / 18, rel=0.15)

    def test_no_cells_no_chemistry_nothing_stated(self) -> None:
        made = replace(pack(np.concatenate([np.full(1440, 18.0), np.zeros(240)]), np.zeros(8), 80.0), cells=None)
        found = charge_of(made, ChargeFacts())
        assert found.ending == "ended-early"
        assert "cell" in found.unknown["imbalance_ah"]


class TestWall:
    def test_the_simulated_charger(self) -> None:
        series = read_series(open_recording(SESSIONS / "evening-charge.csv.gz"))
        found = charge_of(series, replace(FACTS, capacity_ah=105.0, end_current_a=3.0, balance_current_ma=120.0))
        assert found.ending == "tapered"
        assert found.charger_efficiency is not None
        assert found.charger_efficiency.mid == pytest.approx(0.90, abs=0.01)
        assert found.stopped_by_cell is None

    def test_the_owners_own_meter(self) -> None:
        amperes = np.concatenate([np.full(1440, 18.0), np.zeros(240)])
        made = pack(amperes, np.zeros(8), 80.0)
        energy = charge_of(made).energy_in_wh
        assert energy is not None
        found = charge_of(made, replace(FACTS, wall_wh=energy / 0.88))
        assert found.charger_efficiency is not None
        assert found.charger_efficiency.mid == pytest.approx(0.88)
        wrong = charge_of(made, replace(FACTS, wall_wh=energy * 0.9))
        assert wrong.charger_efficiency is None
        assert "one of the two meters is wrong" in wrong.unknown["charger_efficiency"]
        assert "no charger_input_power" in charge_of(made).unknown["charger_efficiency"]


class TestSimulatedPacks:
    """The program's own simulated cells: what each lacks is known, and a loose link lifts cell 5 by 54 mV."""

    def charged(self, seed: int, charge_spread: float) -> tuple[SessionSeries, float, int]:
        """Charge from 80 % until a cell passes 3.65 V; return it, what the emptiest lacks, and that cell's number."""
        rng = np.random.default_rng(seed)
        kind = CellParameters(
            "lfp", 16, 100.0, 9e-4, 9e-4, charge_spread=charge_spread, odd={5: OddCell(link_ohm=0.003)}
        )
        cells = Cells(kind, 0.8, 20.0, rng)
        amperes, volts = [], []
        lacking, stopped_by, rest_rows = None, 0, 0
        while rest_rows < 100:
            flowing = len(amperes) >= 15 and lacking is None
            rest_rows += lacking is not None
            amperes.append(-18.0 if flowing else 0.3)
            cells.step(amperes[-1], 4.0, 20.0)
            volts.append(np.round(cells.voltage + rng.normal(0, 0.0005, 16), 3))
            if flowing and cells.voltage.max() > 3.65:
                lacking = (1 - cells.soc) * cells.capacity_ah
                stopped_by = int(cells.voltage.argmax()) + 1
        t = (np.arange(len(amperes)) * 4_000_000).astype(np.int64)
        table = np.array(volts)
        signals = {"pack_current": Series(t, np.array(amperes)), "pack_voltage": Series(t, table.sum(axis=1))}
        made = CellSeries(t, table, tuple(range(1, 17)))
        series = SessionSeries("made up", 0, int(t[-1]), 0, "relative", signals, made)
        return series, float(lacking.max() - lacking.min()), stopped_by

    @pytest.mark.parametrize(("charge_spread", "false_full"), [(0.002, False), (0.03, True)])
    @pytest.mark.parametrize("seed", range(3))
    def test_imbalance(self, seed: int, charge_spread: float, false_full: bool) -> None:
        series, true_ah, stopped_by = self.charged(seed, charge_spread)
        found = charge_of(series, replace(FACTS, cells_in_series=16))
        assert found.ending == "cell-stopped"
        assert found.stopped_by_cell == stopped_by
        assert found.imbalance_ah is not None
        assert found.imbalance_ah.low <= true_ah <= found.imbalance_ah.high
        assert found.false_full is false_full


def test_no_charge_is_none() -> None:
    made = pack(np.full(600, -20.0), np.zeros(8), 80.0)
    assert find_charging(made, find_power(made), find_phases(made).of("charge"), FACTS) is None
