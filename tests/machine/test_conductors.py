"""The tables of conductors against formulas, worked examples and one another."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.machine.conductors import (
    CLASS_5_OHM_PER_KM,
    GAUGES,
    METRES_PER_KFT,
    awg_area_mm2,
    awg_conductor,
    awg_diameter_mm,
    copper_factor,
    mm2_conductor,
    next_standard_fuse,
    stated_conductor,
)
from telemetry.machine.pack_keys import Wiring

COPPER_RESISTIVITY = 0.017241
"""ohm mm2/m at 20 degC: annealed copper of 100 % conductivity (IEC 60028, by secondary copies)."""


class TestWireGauges:
    # ASTM B258: 4/0 is 0.46 inch and 36 AWG 0.005 inch by definition; 39 equal steps of ratio 92 between them.
    def test_the_formula_holds_at_both_ends_of_the_definition(self) -> None:
        assert awg_diameter_mm("4/0") == pytest.approx(0.46 * 25.4, rel=1e-9)
        assert awg_diameter_mm("36") == pytest.approx(0.005 * 25.4, rel=1e-9)

    @pytest.mark.parametrize("gauge", GAUGES, ids=lambda gauge: gauge.name)
    def test_every_row_has_the_area_of_astm_b258(self, gauge) -> None:
        # Circular mils are the diameter in thousandths of an inch, squared; the table rounds to three figures.
        mils = awg_diameter_mm(gauge.name) / 25.4 * 1000
        assert gauge.circular_mils == pytest.approx(mils**2, rel=0.003)
        assert gauge.area_mm2 == pytest.approx(gauge.circular_mils * 5.067e-4, rel=0.003)

    @pytest.mark.parametrize("gauge", [g for g in GAUGES if g.solid_ohm_per_kft], ids=lambda gauge: gauge.name)
    def test_solid_resistance_is_that_of_annealed_copper(self, gauge) -> None:
        # 0.017241 ohm mm2/m at 20 degC and 0.00393 a degree (IACS; IEC 60287): 12 AWG solid 1.932, table 1.93.
        theory = COPPER_RESISTIVITY / awg_area_mm2(gauge.name) * METRES_PER_KFT * copper_factor(75)
        assert gauge.solid_ohm_per_kft == pytest.approx(theory, rel=0.006)

    @pytest.mark.parametrize("gauge", GAUGES, ids=lambda gauge: gauge.name)
    def test_stranded_is_two_percent_above_theory(self, gauge) -> None:
        theory = COPPER_RESISTIVITY / awg_area_mm2(gauge.name) * METRES_PER_KFT * copper_factor(75)
        assert gauge.stranded_ohm_per_kft / theory == pytest.approx(1.02, abs=0.015)

    def test_rows_seen_nowhere_are_marked(self) -> None:
        marked = {gauge.name: gauge.from_memory for gauge in GAUGES if gauge.from_memory}
        assert marked == {
            "18": ("stranded_ohm_per_kft", "solid_ohm_per_kft"),
            "16": ("solid_ohm_per_kft",),
        }
        assert "from memory" in awg_conductor("18").resistance_source
        assert "from memory" not in awg_conductor("16").resistance_source


class TestResistance:
    @pytest.mark.parametrize(
        ("area", "length", "current", "temperature", "drop"),
        [
            # IEC 60228 class 5, 3 m each way, 80 A; 4 AWG by NEC Table 8, 10 ft, 100 A.
            (16, 3, 80, 20, 0.581),
            (16, 3, 80, 60, 0.672),
            (25, 3, 80, 20, 0.374),
        ],
    )
    def test_worked_drops_of_metric_cable(self, area, length, current, temperature, drop) -> None:
        assert current * mm2_conductor(area).loop_ohm(length, temperature) == pytest.approx(drop, rel=0.005)

    def test_worked_drop_of_a_gauge(self) -> None:
        drop = 100 * awg_conductor("4").loop_ohm(10 * 0.3048, 75)
        assert drop == pytest.approx(0.616, rel=0.005)
        assert drop / 51.2 == pytest.approx(0.0120, rel=0.005)

    # A published table prints 0.820 for the factor back from 75 to 20 degC (with 0.004 a degree).
    def test_copper_temperature(self) -> None:
        assert 1 / copper_factor(75) == pytest.approx(0.820, rel=0.003)

    # The note to NEC Table 8: R2 = R1 (1 + 0.00323 (T - 75)).
    @given(st.floats(-20, 90))
    def test_both_published_temperature_laws_are_one_line(self, temperature: float) -> None:
        assert copper_factor(temperature) / copper_factor(75) == pytest.approx(
            1 + 0.00323 * (temperature - 75), rel=0.0005
        )

    @pytest.mark.parametrize("area", CLASS_5_OHM_PER_KM)
    def test_class_5_rows_are_above_solid_copper_by_less_than_a_sixth(self, area: float) -> None:
        solid = COPPER_RESISTIVITY / area * 1000
        assert 1.0 < CLASS_5_OHM_PER_KM[area] / solid < 1.17


def test_a_section_without_a_size_has_no_conductor() -> None:
    assert stated_conductor(Wiring()) is None
    assert stated_conductor(Wiring(conductor_awg="4")) == awg_conductor("4")


# NEC 240.6(A).
@pytest.mark.parametrize(("carries", "fuse"), [(85, 90), (100, 100), (69.7, 70), (151, 175), (650, 650), (3, 3)])
def test_the_next_standard_fuse(carries: float, fuse: float) -> None:
    assert next_standard_fuse(carries) == fuse
    assert math.isfinite(next_standard_fuse(carries))
