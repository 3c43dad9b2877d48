"""Currents by what they heat, charging a cold or hot pack, what is left, and resistance against earlier sessions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.averaging import Averaging
from telemetry.analysis.charge_live import STATE_OF_CHARGE
from telemetry.analysis.charge_temperature import ChargeTemperature
from telemetry.analysis.charge_voltage import fast_ohm
from telemetry.analysis.derive import Power
from telemetry.analysis.energy_left import Load, capacity_range, find_energy_left
from telemetry.analysis.outlook_live import Outlook
from telemetry.analysis.ranges import Range
from telemetry.analysis.resistance_change import ResistanceChange
from telemetry.machine.limits_current import Part
from telemetry.machine.limits_frame import ResistanceHistory
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Batch, Group, Span
from telemetry.pipeline.stage import Chain, Stage

SECOND = 1_000_000
FUSE = Part("fuse", 100.0, 30.0, "")
CABLE = Part("cable", 80.0, 300.0, "")


def rows(group: str, every_s: float, **signals: object) -> Batch:
    """Rows of a group from time 0, one every so often; plain numbers stand for all rows."""
    columns = [np.atleast_1d(np.asarray(values, dtype=np.float64)) for values in signals.values()]
    length = max(len(column) for column in columns)
    values = np.stack([np.broadcast_to(column, length) for column in columns], axis=1)
    origin = "derived" if group == "state_of_charge" else "measured"
    t = np.round(np.arange(length) * every_s * SECOND).astype(np.int64)
    source = "derived" if origin == "derived" else "pack"
    return Batch(Group(source, group, tuple(signals), origin), t, np.ascontiguousarray(values))


def told(stage: Stage, *batches: Batch) -> dict[str, np.ndarray]:
    end = max(int(batch.t[-1]) for batch in batches) + 1
    span = stage.advance(Span(end, batches, final=True))
    added = [batch for batch in span.batches[len(batches) :] if len(batch)]
    return {signal: b.values[:, place] for b in added for place, signal in enumerate(b.group.signals)}


class TestAveraging:
    def test_a_steady_current_reads_as_itself(self) -> None:
        found = told(Averaging((CABLE, FUSE), ()), rows("current", 0.1, pack_current=np.full(30_000, 70.0)))
        assert found["discharge_current_average"][-1] == pytest.approx(70.0, rel=1e-3)
        assert "charge_current_average" not in found

    @pytest.mark.parametrize("seconds", [10, 30, 120])
    def test_one_part_warms_by_the_exponential_of_its_window(self, seconds: int) -> None:
        # First-order heating: the square goes as 1 - exp(-t / window), any textbook.
        found = told(Averaging((FUSE,), ()), rows("current", 0.1, pack_current=np.full(seconds * 10 + 1, 150.0)))
        expected = 150.0 * math.sqrt(1 - math.exp(-seconds / 30.0))
        assert found["discharge_current_average"][seconds - 1] == pytest.approx(expected, rel=0.01)

    def test_pulses_count_by_their_square(self) -> None:
        """One second in four at 100 A heats like 50 A, and not like the mean of 25 A."""
        pulses = np.tile(np.repeat([100.0, 0.0], [10, 30]), 600)
        found = told(Averaging((CABLE,), ()), rows("current", 0.1, pack_current=pulses))
        assert found["discharge_current_average"][-20:].mean() == pytest.approx(50.0, rel=0.03)

    def test_the_part_that_stands_worst_tells(self) -> None:
        """Ten seconds at 300 A: the cable hardly warms, the fuse is past its rating."""
        found = told(Averaging((CABLE, FUSE), ()), rows("current", 0.1, pack_current=np.full(101, 300.0)))
        fuse = 300.0 * math.sqrt(1 - math.exp(-10 / 30.0))
        assert found["discharge_current_average"][-1] == pytest.approx(fuse * 80.0 / 100.0, rel=0.01)
        assert found["discharge_current_average"][-1] > 80.0

    def test_braking_does_not_warm_the_chargers_wires_but_a_charge_does(self) -> None:
        charge = (Part("fuse", 24.0, 30.0, ""), Part("pack", 60.0, 30.0, ""))
        braking = np.tile(np.repeat([-40.0, 20.0], [200, 200]), 5)
        found = told(Averaging((), charge), rows("current", 0.1, pack_current=braking))
        assert -24.0 < found["charge_current_average"].min() < 0.0
        found = told(Averaging((), charge), rows("current", 0.1, pack_current=np.full(6000, -30.0)))
        assert found["charge_current_average"][-1] == pytest.approx(-30.0, rel=0.01)

    def test_a_gap_neither_warms_nor_cools(self) -> None:
        first = rows("current", 0.1, pack_current=np.full(1001, 90.0))
        later = Batch(first.group, first.t[:11] + 900 * SECOND, first.values[:11])
        stage = Averaging((CABLE,), ())
        before = told(stage, first)["discharge_current_average"][-1]
        after = told(stage, later)["discharge_current_average"][-1]
        assert after == pytest.approx(before, rel=0.01)

    @settings(max_examples=30)
    @given(st.lists(st.floats(-100, 200), min_size=20, max_size=80))
    def test_it_never_exceeds_the_highest_current(self, amperes: list[float]) -> None:
        found = told(Averaging((CABLE, FUSE), (FUSE,)), rows("current", 0.5, pack_current=amperes))
        assert found["discharge_current_average"].max() <= max(0.0, *amperes) + 1e-9
        assert found["charge_current_average"].min() >= min(0.0, *amperes) - 1e-9


class TestChargeTemperature:
    def test_charging_a_cold_pack_is_told_and_braking_is_charging(self) -> None:
        current = np.repeat([30.0, -15.0, 30.0], 50)
        batch = rows("pack", 0.1, pack_current=current, pack_temperature_1=4.0, pack_temperature_2=-1.0)
        found = told(ChargeTemperature(0.0, 45.0), batch)["cold_charge_current"]
        assert found[:4].max() == 0.0
        assert found[6] == pytest.approx(15.0)
        assert found[-1] == 0.0

    def test_charging_a_hot_pack_is_told_by_its_hottest_sensor(self) -> None:
        current = np.repeat([30.0, -15.0, 30.0], 50)
        batch = rows("pack", 0.1, pack_current=current, pack_temperature_1=30.0, pack_temperature_2=46.0)
        found = told(ChargeTemperature(0.0, 45.0), batch)
        assert found["hot_charge_current"][6] == pytest.approx(15.0)
        assert found["hot_charge_current"][-1] == 0.0
        assert found["cold_charge_current"].max() == 0.0

    def test_charging_a_cool_pack_is_told_apart_from_frost(self) -> None:
        t = np.arange(200)
        coldest = np.where(t < 100, 4.0, 12.0)
        batch = rows("pack", 1.0, pack_current=np.full(200, -30.0), pack_temperature_1=coldest)
        found = told(ChargeTemperature(0.0, 45.0, 10.0), batch)
        assert found["cool_charge_current"][50] == pytest.approx(30.0)
        assert found["cool_charge_current"][-1] == 0.0
        assert found["cold_charge_current"].max() == 0.0
        frost = rows("pack", 1.0, pack_current=np.full(100, -30.0), pack_temperature_1=-2.0)
        assert told(ChargeTemperature(0.0, 45.0, 10.0), frost)["cool_charge_current"].max() == 0.0

    def test_a_warm_pack_may_be_charged(self) -> None:
        batch = rows("pack", 0.1, pack_current=np.full(100, -15.0), pack_temperature_1=3.0)
        assert told(ChargeTemperature(0.0, 45.0), batch)["cold_charge_current"].max() == 0.0

    def test_without_a_temperature_nothing_is_told(self) -> None:
        assert told(ChargeTemperature(0.0, 45.0), rows("pack", 0.1, pack_current=np.full(100, -15.0))) == {}

    def test_a_slow_sensor_holds_its_value(self) -> None:
        current = rows("pack", 0.1, pack_current=np.full(1200, -15.0))
        sensor = rows("warmth", 60.0, pack_temperature_1=[-3.0, -3.0])
        assert told(ChargeTemperature(0.0, 45.0), current, sensor)["cold_charge_current"][-1] == pytest.approx(15.0)


PACK = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)


def left_wh(soc_pct: Range, amperes: float = 0.0) -> float:
    """Return the least that the report would make of that charge, Wh."""
    load = Load()
    load.take(np.full(10, amperes))
    return find_energy_left(soc_pct, PACK, capacity_range(PACK), load, fast_ohm(PACK)).low


class TestWhatIsLeft:
    def test_the_low_end_of_the_estimate_counts(self) -> None:
        estimate = rows("state_of_charge", 10.0, soc_estimated=np.full(30, 40.0), soc_uncertainty=6.0)
        found = told(Outlook(PACK), estimate, rows("pack", 1.0, soc_reported=np.full(300, 55.0)))
        assert found["soc_lower_bound"][-1] == pytest.approx(40.0 - 1.645 * 6.0)
        assert found["energy_left"][-1] == pytest.approx(left_wh(Range.around(40.0, 1.645 * 6.0)))

    def test_an_estimate_that_is_no_ground_leaves_it_to_the_pack(self) -> None:
        estimate = rows("state_of_charge", 10.0, soc_estimated=np.full(30, 40.0), soc_uncertainty=18.0)
        found = told(Outlook(PACK), estimate, rows("pack", 1.0, soc_reported=np.full(300, 55.0)))
        assert found["soc_lower_bound"][-1] == 55.0

    def test_the_energy_left_over_is_what_is_there_less_what_the_rest_of_the_area_needs(self) -> None:
        # 1.2 m at 6 km/h is 0.72 ha/h; 50 V and 36 A are 1800 W, so a hectare takes 2500 Wh; a quarter of it is done.
        seconds = np.arange(1251)
        pack = rows("pack", 1.0, pack_voltage=np.full(1251, 50.0), pack_current=36.0, soc_reported=50.0 + 0 * seconds)
        vehicle = rows("vehicle", 1.0, vehicle_speed=np.full(1251, 6.0), implement_engaged=1.0)
        margin = told(Chain([Power(), Outlook(PACK, 1.2, 1.0)]), pack, vehicle)["energy_margin"]
        assert margin[-1] == pytest.approx(left_wh(Range.exactly(50.0), 36.0) - 0.75 * 2500, abs=5.0)
        assert len(margin) < 110, "nothing is told of the first twentieth"

    def test_without_an_implement_signal_the_need_is_unknown(self) -> None:
        pack = rows("pack", 1.0, pack_voltage=np.full(900, 50.0), pack_current=36.0, soc_reported=50.0)
        found = told(
            Chain([Power(), Outlook(PACK, 1.2, 0.1)]), pack, rows("vehicle", 1.0, vehicle_speed=np.full(900, 6.0))
        )
        assert "energy_margin" not in found

    def test_what_lags_is_not_given_out_before_its_time(self) -> None:
        stage = Outlook(PACK)
        pack = rows("pack", 1.0, soc_reported=np.full(40, 55.0))
        span = stage.advance(Span(40 * SECOND, (pack,), complete={STATE_OF_CHARGE.key: 29 * SECOND}))
        lagging = next(b for b in span.batches if b.group.name == "soc_lower_bound")
        assert int(lagging.t[-1]) == 20 * SECOND
        assert span.complete_to(lagging.group) == 29 * SECOND


class TestResistanceChange:
    HISTORY = ResistanceHistory((0.020,) * 5 + (0.040,) * 5, (20.0,) * 5 + (5.0,) * 5, (60.0,) * 10, 2)

    def change(self, temperature: float, charge: float, *more: Batch, ohm: float = 0.025) -> float | None:
        group = Group("derived", "resistance", ("pack_resistance",), "derived")
        resistance = Batch.of_rows(group, [5 * SECOND], [[ohm]])
        pack = rows("pack", 1.0, pack_temperature_1=np.full(10, temperature), soc_reported=charge)
        found = told(ResistanceChange(self.HISTORY), pack, resistance, *more)
        return float(found["pack_resistance_change"][0]) if found else None

    def test_like_is_compared_with_like(self) -> None:
        assert self.change(21.0, 55.0) == pytest.approx(25.0)
        assert self.change(4.0, 55.0) == pytest.approx(-37.5)
        estimated = Batch.of_rows(STATE_OF_CHARGE, [SECOND], [[55.0, 3.0]])
        assert self.change(21.0, float("nan"), estimated) == pytest.approx(25.0)

    def test_what_is_like_nothing_is_not_compared(self) -> None:
        assert self.change(35.0, 55.0) is None
        assert self.change(21.0, 10.0) is None
        assert self.change(21.0, float("nan")) is None
        assert self.change(float("nan"), 55.0) is None

    def test_without_history_nothing_is_told(self) -> None:
        batch = rows("pack", 1.0, pack_temperature_1=np.full(10, 20.0))
        assert told(ResistanceChange(ResistanceHistory()), batch) == {}
