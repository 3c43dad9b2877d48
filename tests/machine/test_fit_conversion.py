"""Checks of what a change of battery brings with it: drop-in blocks, converter, speed, touch, weight."""

from __future__ import annotations

from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.machine.fit import CHECKS, Finding
from telemetry.machine.fit.precharge_resistor import pulse_energy
from telemetry.machine.fit.speed import BLADE_TIP_M_S, tip_speed
from telemetry.machine.machine_file import parse_machine
from telemetry.model.toml_text import toml_value

LFP_16 = {"pack.chemistry": "lfp", "pack.cells_in_series": 16, "pack.capacity_ah": 100}


def judged(check: str, stated: dict[str, Any]) -> Finding | None:
    """Return what a check finds of a machine file with these keys, such as ``"pack.capacity_ah"``."""
    sections: dict[str, list[str]] = {}
    for name, value in stated.items():
        section, key = name.split(".")
        sections.setdefault(section, []).append(f"{key} = {toml_value(value)}")
    text = "\n".join("\n".join([f"[{section}]", *lines]) for section, lines in sections.items())
    machine, problems = parse_machine(text, "machine.toml")
    assert [str(problem) for problem in problems] == []
    assert machine is not None
    return CHECKS[check](machine)


def verdict(check: str, **changes: Any) -> str | None:
    """Return the verdict on sixteen cells with these keys; ``pack__x`` for ``pack.x``; None if not judged."""
    finding = judged(check, LFP_16 | {name.replace("__", "."): value for name, value in changes.items()})
    return None if finding is None else finding.verdict


class TestBlocksInSeries:
    def test_a_pack_with_one_bms_is_not_asked(self) -> None:
        assert verdict("blocks-in-series") is None
        assert verdict("blocks-in-series", pack__blocks_in_series=1) is None

    @pytest.mark.parametrize(
        ("rated", "most", "expected"),
        [
            # Four blocks reach 16 * 3.65 = 58.4 V: a switch for a 12 V block, 30 to 40 V, does not survive that.
            (40, None, "stop"),
            (58.4, None, "ok"),
            (58.3, None, "stop"),
            (None, 4, "ok"),
            (None, 2, "stop"),
            (100, 2, "stop"),
            (40, 4, "stop"),
            (None, None, "unknown"),
        ],
    )
    def test_each_bms_must_switch_off_the_whole_series(self, rated, most, expected: str) -> None:
        stated = {"pack__block_bms_voltage_v": rated, "pack__most_blocks_in_series": most}
        known = {key: value for key, value in stated.items() if value is not None}
        assert verdict("blocks-in-series", pack__blocks_in_series=4, **known) == expected

    def test_a_rating_without_the_number_of_blocks_asks_for_it(self) -> None:
        finding = judged("blocks-in-series", LFP_16 | {"pack.block_bms_voltage_v": 40})
        assert finding is not None
        assert finding.lacking == (("pack", "blocks_in_series"),)

    def test_cells_divide_into_blocks(self) -> None:
        text = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\nblocks_in_series = 3\n'
        _, problems = parse_machine(text, "machine.toml")
        assert ["equal blocks" in str(problem) for problem in problems] == [True]


class TestConverterInput:
    def test_a_machine_without_one_is_not_asked(self) -> None:
        assert verdict("converter-input") is None

    @pytest.mark.parametrize(
        ("low", "high", "expected"),
        [
            (36, 75, "ok"),
            (36, 58.4, "ok"),
            (36, 58.3, "stop"),  # 16 cells at 3.65 V: 58.4 V
            (40.1, 75, "caution"),  # 16 cells at 2.5 V: 40 V
            (40, 75, "ok"),
            (None, 75, "unknown"),
            (36, None, "unknown"),
            (None, 50, "stop"),
        ],
    )
    def test_range(self, low, high, expected: str) -> None:
        stated = {"machine__converter_min_v": low, "machine__converter_max_v": high}
        known = {key: value for key, value in stated.items() if value is not None}
        assert verdict("converter-input", **known) == expected

    def test_regen_wants_headroom(self) -> None:
        stated = {"machine__converter_min_v": 36, "machine__converter_max_v": 60}
        assert verdict("converter-input", machine__regenerates=True, **stated) == "caution"
        assert verdict("converter-input", machine__regenerates=False, **stated) == "ok"

    def test_the_controller_may_stop_first(self) -> None:
        stated = {"machine__converter_min_v": 42, "machine__converter_max_v": 75}
        assert verdict("converter-input", machine__minimum_voltage_v=44.8, **stated) == "ok"


class TestPrechargeResistor:
    CAPACITOR: ClassVar[dict[str, Any]] = {"machine__controller_capacitance_uf": 4700, "machine__precharge_ohm": 100}

    def test_energy_of_a_capacitor(self) -> None:
        # A textbook example: 100 µF at 100 V hold 0.5 J. Filling it leaves as much in the resistor.
        assert pulse_energy(100, 100e-6) == pytest.approx(0.5)

    def test_it_asks_only_where_the_pre_charge_is_known(self) -> None:
        assert verdict("precharge-resistor") is None
        assert verdict("precharge-resistor", machine__precharge_ohm=100) is None
        assert verdict("precharge-resistor", **self.CAPACITOR) == "unknown"

    @pytest.mark.parametrize(
        ("watt", "expected"), [(5, "ok"), (1.61, "ok"), (1.6, "caution"), (0.33, "caution"), (0.3, "stop")]
    )
    def test_by_watts(self, watt: float, expected: str) -> None:
        # 0.5 * 4.7 mF * 58.4² = 8.015 J: 5 J a watt from 1.603 W on, 25 J a watt from 0.321 W on.
        assert verdict("precharge-resistor", machine__precharge_w=watt, **self.CAPACITOR) == expected

    def test_a_pulse_rating_decides(self) -> None:
        rated = {"machine__precharge_w": 1, **self.CAPACITOR}
        assert verdict("precharge-resistor", machine__precharge_energy_j=8.1, **rated) == "ok"
        assert verdict("precharge-resistor", machine__precharge_energy_j=8, **rated) == "stop"


class TestSpeed:
    LEAD_48: ClassVar[dict[str, Any]] = {
        "machine__previous_chemistry": "lead-flooded",
        "machine__previous_cells_in_series": 24,
    }
    LEAD_36: ClassVar[dict[str, Any]] = LEAD_48 | {"machine__previous_cells_in_series": 18}

    def test_without_a_previous_battery_nothing_is_asked(self) -> None:
        assert verdict("overspeed") is None
        assert verdict("blade-speed") is None

    def test_sixteen_cells_for_four_blocks_are_hardly_faster(self) -> None:
        assert verdict("overspeed", **self.LEAD_48) == "ok"

    @pytest.mark.parametrize(
        ("motor", "limited", "expected"),
        [
            ("dc", None, "caution"),
            ("dc", False, "caution"),
            ("dc", True, "ok"),
            (None, None, "unknown"),
            ("ac", None, "unknown"),
            ("ac", False, "caution"),
            ("ac", True, "ok"),
        ],
    )
    def test_sixteen_cells_for_three_blocks(self, motor, limited, expected: str) -> None:
        stated = {"machine__motor_type": motor, "machine__speed_limited": limited}
        known = {key: value for key, value in stated.items() if value is not None}
        assert verdict("overspeed", **self.LEAD_36, **known) == expected

    def test_the_limit_of_a_blade_is_that_of_the_standard(self) -> None:
        # ANSI B71.1: 19 000 ft/min. A 21 inch blade reaches it at 3456 rpm: 19000 / (pi * 21 / 12).
        assert tip_speed(21 * 0.0254, 3456) == pytest.approx(BLADE_TIP_M_S, rel=1e-4)

    @pytest.mark.parametrize(("rpm", "expected"), [(3200, "ok"), (3400, "stop")])
    def test_a_blade_speeds_up_with_the_voltage(self, rpm: float, expected: str) -> None:
        # 0.533 m at 3400 rpm: 94.9 m/s on lead, 6 % more on sixteen cells.
        stated = {"machine__blade_length_m": 0.533, "machine__blade_speed_rpm": rpm}
        assert tip_speed(0.533, rpm) < BLADE_TIP_M_S
        assert verdict("blade-speed", **stated, **self.LEAD_48) == expected

    def test_a_blade_without_the_previous_battery_asks_for_it(self) -> None:
        finding = judged("blade-speed", LFP_16 | {"machine.blade_length_m": 0.5})
        assert finding is not None
        assert [key for _, key in finding.lacking] == [
            "blade_speed_rpm",
            "previous_chemistry",
            "previous_cells_in_series",
        ]

    @given(st.integers(1, 40), st.integers(1, 40), st.sampled_from(["dc", "ac", None]))
    def test_more_cells_never_make_it_slower(self, one: int, other: int, motor: str | None) -> None:
        rank = {"ok": 0, "unknown": 1, "caution": 2}
        known = self.LEAD_36 | ({} if motor is None else {"machine__motor_type": motor})
        few, many = (verdict("overspeed", **known, pack__cells_in_series=n) for n in sorted((one, other)))
        assert rank[str(few)] <= rank[str(many)]


class TestTouchVoltage:
    @pytest.mark.parametrize(("cutoff", "expected"), [(58.4, "ok"), (60, "ok"), (60.1, "caution")])
    def test_above_60_v(self, cutoff: float, expected: str) -> None:
        assert verdict("touch-voltage", pack__high_cutoff_v=cutoff) == expected

    def test_a_frame_that_carries_the_current(self) -> None:
        assert verdict("touch-voltage", pack__cells_in_series=24, machine__frame_is_return=True) == "stop"
        assert verdict("touch-voltage", pack__cells_in_series=16, machine__frame_is_return=True) == "ok"

    def test_above_120_v_it_is_licensed_work(self) -> None:
        finding = judged("touch-voltage", LFP_16 | {"pack.cells_in_series": 36})
        assert finding is not None
        assert "licensed work" in finding.why


class TestTemperatureLimits:
    def test_advice_only(self) -> None:
        assert verdict("temperature-limits") is None
        assert verdict("temperature-limits", machine__name="cart") == "unknown"
        both = {"machine__motor_temperature_max_c": 110, "machine__controller_temperature_max_c": 85}
        assert verdict("temperature-limits", **both) == "ok"


class TestMass:
    KNOWN: ClassVar[dict[str, Any]] = {"pack__mass_kg": 46, "machine__mass_kg": 480}

    @pytest.mark.parametrize(("old", "expected"), [(60, "ok"), (71, "caution"), (20, "caution")])
    def test_a_weighed_battery_decides(self, old: float, expected: str) -> None:
        # 5 % of 480 kg are 24 kg.
        assert verdict("mass", machine__previous_mass_kg=old, **self.KNOWN) == expected

    def test_a_light_axle_is_named(self) -> None:
        stated = {"pack.mass_kg": 46, "machine.mass_kg": 480, "machine.previous_mass_kg": 172}
        finding = judged("mass", LFP_16 | stated)
        assert finding is not None
        assert finding.value == -126
        for word in ("brakes", "ballast", "estimated"):
            assert (word in finding.why) == (word != "estimated")

    def test_one_key_is_asked_for(self) -> None:
        finding = judged("mass", LFP_16 | {"pack.mass_kg": 46, "machine.mass_kg": 480})
        assert finding is not None
        assert finding.lacking == (("machine", "previous_mass_kg"),)


def test_a_current_beyond_both_batteries_leaves_no_energy_to_boast_of() -> None:
    # 600 A through the estimated resistance of an old battery of 33 Ah: more than all of its voltage.
    stated = {
        "machine.previous_chemistry": "lead-agm",
        "machine.previous_cells_in_series": 24,
        "machine.previous_capacity_ah": 33,
        "machine.continuous_current_a": 600,
        "pack.internal_resistance_mohm": 20,
    }
    finding = judged("energy", LFP_16 | stated)
    assert finding is not None
    assert "about 0 Wh; the new pack gives" in finding.why
    finding = judged("energy", LFP_16 | stated | {"pack.internal_resistance_mohm": 100})
    assert finding is not None
    assert (finding.verdict, finding.value) == ("caution", 0)
