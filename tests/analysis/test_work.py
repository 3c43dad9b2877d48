"""What the work takes and what a charge buys, and the arithmetic of fields and money.

From outside, each beside its check: Iowa State University Extension A3-24 (field capacity, printed rows), ASABE EP496
(the formula), US EPA (energy of petrol), a published worked example (energy efficiency).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.ranges import Range
from telemetry.analysis.work import (
    FUEL_KWH_PER_L,
    energy_efficiency,
    find_work,
)
from telemetry.machine.vehicle_keys import Work as Prices

positive = st.floats(0.1, 1000)
ranges = st.tuples(positive, positive, positive).map(lambda three: Range(*sorted(three)))


def test_energy_efficiency() -> None:
    # A published worked example: 10 Wh out of 11 Wh in = 90.9 %.
    assert 100 * energy_efficiency(10, 11) == pytest.approx(90.9, abs=0.05)
    with pytest.raises(ValueError, match="no energy went in"):
        energy_efficiency(1, 0)


def test_energy_of_petrol() -> None:
    # US EPA: 33.7 kWh a US gallon; 100 miles on that are 100 miles a gallon of petrol equivalent.
    assert pytest.approx(8.903, abs=1e-3) == FUEL_KWH_PER_L
    assert pytest.approx(100.0) == 33.7 / (FUEL_KWH_PER_L * 3.785411784) * 100


def test_energy_and_money_at_the_wall() -> None:
    # 5.12 kWh x 0.8 through a charger of 0.90 and a pack of 0.96 = 4.741 kWh, at 0.16 = 0.7585; arithmetic.
    work = find_work(
        energy_wh=Range.exactly(5120 * 0.8),
        session_h=1,
        wall_wh_per_wh=Range.exactly(1 / 0.90 / 0.96),
        prices=Prices(tariff_per_kwh=0.16, sessions_per_season=10),
    )
    assert work.cost_session is not None
    assert work.cost_session.mid == pytest.approx(0.7585, rel=1e-3)
    assert work.cost_season is not None
    assert work.cost_season.mid == pytest.approx(7.585, rel=1e-3)


class TestRanges:
    @given(ranges, ranges)
    def test_products_and_quotients_stay_in_order(self, one: Range, other: Range) -> None:
        for found in (one.times(other), one.over(other), one.plus(other)):
            assert found.low <= found.mid <= found.high

    @given(ranges, ranges, st.floats(0, 1), st.floats(0, 1))
    def test_they_hold_whatever_the_parts_allow(self, one: Range, other: Range, a: float, b: float) -> None:
        x = one.low + a * (one.high - one.low)
        y = other.low + b * (other.high - other.low)
        assert one.times(other).low * (1 - 1e-9) <= x * y <= one.times(other).high * (1 + 1e-9)
        assert one.over(other).low * (1 - 1e-9) <= x / y <= one.over(other).high * (1 + 1e-9)


class TestWork:
    def test_a_mow(self) -> None:
        work = find_work(
            energy_wh=Range(1850, 1870, 1890),
            session_h=0.667,
            working_h=0.58,
            area_ha=Range(0.32, 0.35, 0.38),
            distance_km=Range(3.9, 4.0, 4.1),
            working_km=Range(3.4, 3.5, 3.6),
            working_width_m=1.1,
            charge_wh=Range(0.78, 0.9, 1.02).times(105 * 77.0),
            wall_wh_per_wh=Range(1.1, 1.16, 1.3),
            prices=Prices(tariff_per_kwh=0.3, fuel_l_per_h=2.5, fuel_price_per_l=1.7, currency="EUR"),
        )
        assert work.wh_per_ha == pytest.approx((1850 / 0.38, 1870 / 0.35, 1890 / 0.32))
        assert work.ha_per_charge is not None
        assert work.ha_per_charge.mid == pytest.approx(105 * 0.9 * 77 / (1870 / 0.35))
        assert work.h_per_charge is not None
        assert work.h_per_charge.mid == pytest.approx(105 * 0.9 * 77 / 1870 * 0.667)
        assert work.field_efficiency is not None
        assert work.field_efficiency.mid == pytest.approx(0.35 / (3.5 * 0.11))
        assert work.fuel_l is not None
        assert work.fuel_l.mid == pytest.approx(0.58 * 2.5)
        assert work.fuel_cost_per_ha is not None
        assert work.fuel_cost_per_ha.mid == pytest.approx(0.58 * 2.5 * 1.7 / 0.35)
        assert work.currency == "EUR"
        assert set(work.unknown) == {"cost_season"}

    @pytest.mark.parametrize(
        ("feet", "mph", "efficiency", "acres"), [(40, 6, 0.70, 20.4), (60, 12, 0.68, 59.3), (10, 5, 0.63, 3.8)]
    )
    def test_field_efficiency_of_printed_rows(self, feet: float, mph: float, efficiency: float, acres: float) -> None:
        # Iowa State University Extension, Ag Decision Maker A3-24, acres an hour printed to a tenth.
        work = find_work(
            energy_wh=None,
            session_h=1,
            working_h=1.0,
            area_ha=Range.exactly(acres * 0.40468564224),
            working_km=Range.exactly(mph * 1.609344),
            working_width_m=feet * 0.3048,
        )
        assert work.field_efficiency is not None
        assert work.field_efficiency.mid == pytest.approx(efficiency, abs=0.06 / acres)

    def test_each_figure_that_is_missing_has_its_reason(self) -> None:
        work = find_work(energy_wh=None, session_h=0.0)
        figures = {name for name, value in vars(work).items() if value is None}
        assert figures - {"area_ha", "distance_km"} == set(work.unknown)

    @pytest.mark.parametrize(
        ("prices", "area", "known", "why"),
        [
            ({"fuel_l_per_h": 2.5}, 0.35, {"fuel_l": 1.25}, {"fuel_cost": "price of fuel is not stated"}),
            (
                {"fuel_l_per_h": 2.5, "fuel_price_per_l": 2.0},
                None,
                {"fuel_l": 1.25, "fuel_cost": 2.5},
                {"fuel_cost_per_ha": "the area is not known"},
            ),
            ({"tariff_per_kwh": 0.3}, 0.35, {}, {"cost_session": "net energy out", "cost_per_ha": "energy"}),
        ],
    )
    def test_what_half_an_hour_costs_as_far_as_it_is_known(self, prices, area, known, why) -> None:
        work = find_work(
            energy_wh=None,
            session_h=0.5,
            working_h=0.5,
            area_ha=None if area is None else Range.exactly(area),
            wall_wh_per_wh=Range.exactly(1.2),
            prices=Prices(**prices),
        )
        for name, value in known.items():
            assert getattr(work, name).mid == pytest.approx(value)
        for name, words in why.items():
            assert getattr(work, name) is None
            assert words in work.unknown[name]
        assert work.fuel_equivalent_l is None
        if area is not None:
            assert work.ha_per_h.mid == pytest.approx(area / 0.5)
            assert "distance while working" in work.unknown["field_efficiency"]

    def test_nothing_but_energy_and_distance(self) -> None:
        work = find_work(energy_wh=Range.exactly(300), session_h=0.5, distance_km=Range(5.9, 6.0, 6.1))
        assert work.wh_per_km is not None
        assert work.wh_per_km.mid == 50.0
        assert "area" in work.unknown["wh_per_ha"]
        assert "full charge" in work.unknown["km_per_charge"]
        assert "charger" in work.unknown["cost_session"]


def test_a_drive_of_less_than_a_kilometre_promises_no_kilometres_per_charge() -> None:
    given = {"energy_wh": Range.exactly(40.0), "session_h": 0.2, "charge_wh": Range.exactly(5000.0)}
    short = find_work(**given, distance_km=Range(0.7, 0.8, 0.9))
    assert short.km_per_charge is None
    assert "shorter than 1 km" in short.unknown["km_per_charge"]
    assert short.h_per_charge is not None
    longer = find_work(**given, distance_km=Range(1.4, 1.5, 1.6))
    assert longer.km_per_charge is not None
    assert longer.km_per_charge.mid == pytest.approx(5000.0 / (40.0 / 1.5))
