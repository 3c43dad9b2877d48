"""Every fit check end to end: a machine file's text in, its finding out."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.ampacity import INSTALLATION_WORDS
from telemetry.machine.fit import CHECKS, Finding, fit, overall
from telemetry.machine.fit.findings import RANK
from telemetry.machine.machine_file import Machine, parse_machine
from telemetry.machine.sections import missing
from telemetry.model.toml_text import toml_value

NAMES = [
    *("charger-voltage", "charger-match", "charger-current", "charge-conductor", "charge-fuse", "controller-minimum"),
    *("controller-maximum", "pack-current", "hill", "sag", "conductor-ampacity", "voltage-drop", "fuse-size"),
    *("fuse-voltage", "fuse-interrupting", "connector", "contactor", "cold-charging", "precharge", "regeneration"),
    *("implement-start", "cut-off-order", "mains-circuit", "storage", "old-gauge", "mass", "energy", "touch-voltage"),
    *("blocks-in-series", "converter-input", "precharge-resistor", "overspeed", "blade-speed", "temperature-limits"),
]
GOOD: dict[str, dict[str, Any]] = {
    "pack": {
        "chemistry": "lfp",
        "cells_in_series": 16,
        "capacity_ah": 100,
        "continuous_discharge_a": 100,
        "peak_discharge_a": 200,
        "peak_discharge_s": 10,
        "continuous_charge_a": 50,
        "low_cutoff_v": 41.6,
        "high_cutoff_v": 58.4,
        "cold_charge_cutoff_c": 0,
        "internal_resistance_mohm": 14,
        "mass_kg": 46,
        "blocks_in_series": 4,
        "block_bms_voltage_v": 80,
    },
    "wiring": {
        "conductor_awg": "2",
        "insulation_c": 75,
        "one_way_length_m": 1.2,
        "ambient_c": 30,
        "bundled_conductors": 2,
        "fuse_a": 100,
        "fuse_voltage_v": 80,
        "fuse_interrupting_a": 20000,
        "connector_a": 120,
        "contactor_voltage_v": 80,
        "contactor_breaking_a": 300,
    },
    "charge_wiring": {
        "conductor_mm2": 6,
        "insulation_c": 75,
        "ambient_c": 30,
        "bundled_conductors": 2,
        "fuse_a": 30,
        "fuse_voltage_v": 80,
        "fuse_interrupting_a": 20000,
    },
    "machine": {
        "minimum_voltage_v": 44.8,
        "maximum_voltage_v": 63,
        "foldback_voltage_v": 46.4,
        "continuous_current_a": 60,
        "hill_current_a": 95,
        "hill_s": 60,
        "controller_capacitance_uf": 4700,
        "precharge_ohm": 100,
        "precharge_w": 5,
        "converter_min_v": 36,
        "converter_max_v": 75,
        "motor_temperature_max_c": 110,
        "controller_temperature_max_c": 85,
        "peak_power_w": 6000,
        "implement_start_a": 110,
        "regenerates": False,
        "standby_current_a": 0.005,
        "previous_chemistry": "lead-flooded",
        "previous_cells_in_series": 24,
        "previous_capacity_ah": 60,
        "blade_length_m": 0.53,
        "blade_speed_rpm": 3200,
        "keeps_old_gauge": False,
        "mass_kg": 600,
    },
    "charger": {
        "made_for_chemistry": "lfp",
        "made_for_cells": 16,
        "output_voltage_v": 57.6,
        "output_current_a": 18,
        "input_power_w": 1150,
        "mains_voltage_v": 230,
        "mains_circuit_a": 16,
    },
}
GONE = object()
"""Stands for a key that is taken out."""


def machine_of(changes: dict[str, Any] | None = None, base: dict[str, dict[str, Any]] | None = None) -> Machine:
    """Return ``base`` with keys such as ``"pack.capacity_ah"`` changed, by way of the file's text."""
    sections = copy.deepcopy(GOOD if base is None else base)
    for name, value in (changes or {}).items():
        section, key = name.split(".")
        if value is GONE:
            sections[section].pop(key, None)
        else:
            sections.setdefault(section, {})[key] = value
    text = "\n".join(
        line
        for section, values in sections.items()
        for line in [f"[{section}]", *(f"{key} = {toml_value(value)}" for key, value in values.items())]
    )
    machine, problems = parse_machine(text, "orchard.toml")
    assert [str(problem) for problem in problems] == []
    assert machine is not None
    return machine


def found(
    check: str, changes: dict[str, Any] | None = None, base: dict[str, dict[str, Any]] | None = None
) -> Finding:
    finding = CHECKS[check](machine_of(changes, base))
    assert finding is not None
    return finding


def verdict(check: str, changes: dict[str, Any] | None = None) -> str:
    return found(check, changes).verdict


def pack(chemistry: str, cells: int, **others: Any) -> dict[str, dict[str, Any]]:
    return {"pack": {"chemistry": chemistry, "cells_in_series": cells, "capacity_ah": 100, **others}}


class TestAsAWhole:
    def test_the_names_and_their_order(self) -> None:
        assert [each.check for each in fit(machine_of())] == NAMES == list(CHECKS)

    def test_a_good_machine_is_ok_in_every_check(self) -> None:
        judged = {each.check: (each.verdict, each.why) for each in fit(machine_of()) if each.verdict != "ok"}
        assert judged == {}
        assert overall(fit(machine_of())) == "ok"

    def test_three_keys_give_unknowns_and_nothing_else(self) -> None:
        findings = fit(machine_of(base=pack("lfp", 16)))
        assert {each.check for each in findings if each.verdict == "ok"} == {"touch-voltage"}
        for each in findings:
            if each.verdict == "ok":
                continue
            assert (each.verdict, each.value, each.limit) == ("unknown", None, None)
            assert each.lacking, each.check
            assert missing(*each.lacking[0]) in each.why
            assert each.source

    @pytest.mark.parametrize("section", ["wiring", "charge_wiring", "machine", "charger"])
    def test_what_is_left_out_never_makes_a_verdict_worse_than_unknown(self, section: str) -> None:
        base = {name: values for name, values in GOOD.items() if name != section}
        assert overall(fit(machine_of(base=base))) == "unknown"

    @settings(max_examples=25)
    @given(st.data())
    def test_any_part_of_a_good_machine_is_judged_without_harm(self, data: st.DataObject) -> None:
        keys = [f"{s}.{k}" for s, values in GOOD.items() for k in values]
        gone = data.draw(st.sets(st.sampled_from([k for k in keys if k.split(".")[1] not in REQUIRED])))
        findings = fit(machine_of(dict.fromkeys(gone, GONE)))
        assert [each.check for each in findings] == [name for name in NAMES if name in {f.check for f in findings}]
        for each in findings:
            assert each.verdict != "stop", each
            assert (each.verdict == "unknown") == each.why.startswith("unknown: ")

    @given(st.lists(st.sampled_from(list(RANK)), min_size=1))
    def test_the_verdict_is_the_worst_of_all(self, verdicts) -> None:
        findings = [Finding("mass", each, None, None, "", "", "") for each in verdicts]
        assert overall(findings) == max(verdicts, key=["ok", "unknown", "caution", "stop"].index)


REQUIRED = ("chemistry", "cells_in_series", "capacity_ah")


class TestChargerVoltage:
    # Per cell: an ordinary charge of iron phosphate ends at 3.50 to 3.65 V (common practice). These are the usual
    # mistakes of a change from lead: its equalise stage, its float, a charger for one cell more.
    @pytest.mark.parametrize(
        ("volts", "cells", "per_cell", "expected"),
        [
            (57.6, 16, 3.600, "ok"),
            (57.6, 15, 3.840, "stop"),
            (62.0, 16, 3.875, "stop"),
            (54.0, 16, 3.375, "caution"),
            (44.4, 12, 3.700, "stop"),
            (43.2, 12, 3.600, "ok"),
            (58.4, 16, 3.650, "ok"),
            (58.5, 16, 3.65625, "stop"),
            (43.2, 16, 2.700, "stop"),
        ],
    )
    def test_iron_phosphate(self, volts: float, cells: int, per_cell: float, expected: str) -> None:
        base = pack("lfp", cells) | {"charger": {"output_voltage_v": volts}}
        finding = found("charger-voltage", base=base)
        assert (finding.verdict, finding.unit) == (expected, "V/cell")
        assert finding.value == pytest.approx(per_cell, abs=1e-4)

    def test_the_voltage_that_it_says_to_set_is_one_that_it_accepts(self) -> None:
        base = pack("nmc", 20, high_cutoff_v=84) | {"charger": {"output_voltage_v": 84.0}}
        why = found("charger-voltage", base=base).why
        assert "Set the charger to 83.1 V or less" in why  # 1 % below 84 V are 83.16 V
        assert found("charger-voltage", {"charger.output_voltage_v": 83.1}, base).verdict == "ok"

    @pytest.mark.parametrize(
        ("chemistry", "cells", "volts", "expected"),
        [
            ("lmo", 13, 54.6, "ok"),
            ("lmo", 13, 56.0, "stop"),
            ("sodium-ion", 16, 63.2, "unknown"),
            ("sodium-ion", 16, 65.6, "stop"),
            ("nmc", 14, 58.8, "ok"),
            ("nmc", 14, 59.3, "caution"),
            ("nmc", 14, 60.2, "stop"),
            ("lto", 20, 56.0, "ok"),
            ("lead-flooded", 24, 58.8, "ok"),
            ("lead-flooded", 24, 62.0, "caution"),
            ("lead-flooded", 24, 54.0, "caution"),
            ("lead-flooded", 24, 66.0, "stop"),
            ("lead-agm", 24, 62.0, "stop"),
            ("lead-agm", 24, 47.0, "stop"),
        ],
    )
    def test_other_chemistries(self, chemistry: str, cells: int, volts: float, expected: str) -> None:
        base = pack(chemistry, cells) | {"charger": {"output_voltage_v": volts}}
        assert found("charger-voltage", base=base).verdict == expected

    def test_a_charge_that_the_pack_cuts_short_is_a_caution(self) -> None:
        finding = found("charger-voltage", {"pack.high_cutoff_v": 57.0})
        assert (finding.verdict, finding.limit) == ("caution", pytest.approx(57.0 / 16, abs=1e-4))

    def test_a_charger_within_one_percent_of_the_cut_off_is_a_caution(self) -> None:
        assert verdict("charger-voltage", {"pack.high_cutoff_v": 58.4, "charger.output_voltage_v": 57.8}) == "ok"
        finding = found("charger-voltage", {"pack.high_cutoff_v": 58.4, "charger.output_voltage_v": 58.2})
        assert (finding.verdict, finding.source) == ("caution", "[pack] high_cutoff_v")
        assert "57.8 V or less" in finding.why

    @pytest.mark.parametrize(
        ("cutoff", "volts", "expected"),
        [(3.65, 57.6, "ok"), (3.65, 58.4, "caution"), (3.75, 58.4, "ok"), (3.8, 57.6, "caution")],
    )
    def test_the_cut_off_of_one_cell(self, cutoff: float, volts: float, expected: str) -> None:
        changes = {"pack.cell_high_cutoff_v": cutoff, "pack.high_cutoff_v": GONE, "charger.output_voltage_v": volts}
        assert verdict("charger-voltage", changes) == expected

    def test_the_kinder_voltage_is_said_and_so_is_the_warning_that_comes(self) -> None:
        finding = found("charger-voltage", {"charger.output_voltage_v": 58.4, "pack.high_cutoff_v": GONE})
        assert finding.verdict == "ok"
        assert "3.45 to 3.55 V a cell (55.2 to 56.8 V) is gentler" in finding.why
        assert "the alarm on high cell voltage warns" in finding.why
        assert "kinder" not in found("charger-voltage", {"charger.output_voltage_v": 56.0}).why

    def test_the_cell_makers_sheet_wins(self) -> None:
        sheet = {"cell_charge_v": 3.45, "cell_maximum_v": 3.55}
        for volts, expected in ((55.2, "ok"), (56.0, "caution"), (57.6, "stop")):
            base = pack("lfp", 16, **sheet) | {"charger": {"output_voltage_v": volts}}
            assert found("charger-voltage", base=base).verdict == expected
        sodium = pack("sodium-ion", 16, cell_charge_v=3.9, cell_maximum_v=4.0)
        assert found("charger-voltage", base=sodium | {"charger": {"output_voltage_v": 62.4}}).verdict == "ok"


class TestChargerMatch:
    def test_a_charger_made_for_the_pack_is_ok(self) -> None:
        assert verdict("charger-match") == "ok"

    @pytest.mark.parametrize(
        ("made", "cells", "others", "expected", "says"),
        [
            # 16 cells of iron phosphate end at 55.2 V at the least: 3.68 V on 15 cells, above 3.65 V.
            ("lfp", 16, {"pack.cells_in_series": 15}, "stop", "3.68 V a cell"),
            ("lfp", 16, {"pack.cells_in_series": 15, "charger.output_voltage_v": 54}, "caution", "Measure"),
            ("nmc", 14, {"charger.output_voltage_v": 57.6}, "caution", "Use one for lfp"),
            ("lead-acid", 24, {"charger.output_voltage_v": 57.6}, "caution", "holds its maximum"),
            ("lead-flooded", 24, {}, "caution", "equalise"),
            ("lead-acid", 24, {"charger.equalise_voltage_v": 62}, "stop", "3.875 V a cell"),
            ("lead-acid", 24, {"charger.equalise_voltage_v": 57}, "caution", "and the pack is lfp"),
            ("lead-acid", 24, {"pack.chemistry": "lead-flooded", "pack.cells_in_series": 24}, "ok", "24 lead"),
            ("lead-acid", 24, {"pack.chemistry": "lead-agm", "pack.cells_in_series": 24}, "caution", "equalise"),
            (
                "lead-acid",
                24,
                {"pack.chemistry": "lead-flooded", "pack.cells_in_series": 24, "charger.equalise_voltage_v": 60},
                "ok",
                "24 lead",
            ),
        ],
    )
    def test_a_mismatch(self, made: str, cells: int, others: dict[str, Any], expected: str, says: str) -> None:
        base: dict[str, dict[str, Any]] = pack("lfp", 16) | {
            "charger": {"made_for_chemistry": made, "made_for_cells": cells}
        }
        finding = found("charger-match", others, base)
        assert finding.verdict == expected, finding
        assert says in finding.why

    def test_an_equalise_stage_alone_is_enough_for_a_stop(self) -> None:
        assert (
            found("charger-match", base=pack("lfp", 16) | {"charger": {"equalise_voltage_v": 62}}).verdict == "stop"
        )


class TestCharging:
    def test_current(self) -> None:
        assert verdict("charger-current", {"charger.output_current_a": 50, "charger.input_power_w": 3300}) == "ok"
        finding = found("charger-current", {"charger.output_current_a": 51, "charger.input_power_w": 3300})
        assert (finding.verdict, finding.value, finding.limit) == ("stop", 51, 50)

    def test_the_time_of_a_charge_is_told(self) -> None:
        # 80 Ah at 18 A with 2 % lost: 4.535 h.
        assert "about 4.5 h" in found("charger-current", {"pack.capacity_ah": 80}).why

    def test_the_wall_gives_what_the_worked_example_says(self) -> None:
        # 16 cells of 3.2 V and 100 Ah: 5.12 kWh * 0.8 / (0.90 * 0.96) = 4.741 kWh, at 0.16 a kWh 0.7585.
        finding = found("mains-circuit", {"work.tariff_per_kwh": 0.16, "work.currency": "EUR"})
        assert "4.74 kWh from the wall, 0.76 EUR" in finding.why

    @pytest.mark.parametrize(
        ("circuit", "expected"),
        [(16, "ok"), (6.25, "ok"), (6, "caution"), (5, "caution"), (4.9, "stop")],
    )
    def test_mains_circuit(self, circuit: float, expected: str) -> None:
        # 1150 W at 230 V draw 5.0 A; a circuit gives four fifths of its rating for hours on end.
        finding = found("mains-circuit", {"charger.mains_circuit_a": circuit})
        assert (finding.verdict, finding.value) == (expected, 5.0)
        assert finding.limit == pytest.approx(0.8 * circuit)
        assert ("lower current" in finding.why) == (expected == "caution")  # for hours it is above, alone or not

    def test_the_power_at_the_wall_is_estimated_and_said_so(self) -> None:
        finding = found("mains-circuit", {"charger.input_power_w": GONE})
        assert finding.value == pytest.approx(57.6 * 18 / 0.9 / 230, abs=1e-3)
        assert "estimated" in finding.why

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({}, "ok"),
            ({"pack.cold_charge_cutoff_c": 3}, "ok"),
            ({"pack.cold_charge_cutoff_c": -5}, "stop"),
            ({"pack.cold_charge_cutoff_c": GONE}, "unknown"),
            ({"machine.regenerates": True}, "caution"),
            ({"charger.output_current_a": 25, "charger.input_power_w": 1700}, "caution"),
            ({"charger.output_current_a": 25, "charger.input_power_w": 1700, "pack.cold_charge_cutoff_c": 10}, "ok"),
            ({"pack.cell_charge_minimum_c": -10, "pack.cold_charge_cutoff_c": -8}, "ok"),
        ],
    )
    def test_cold(self, changes: dict[str, Any], expected: str) -> None:
        assert verdict("cold-charging", changes) == expected

    def test_the_current_of_a_cool_pack_is_said(self) -> None:
        # Common practice, from memory: 0.1 to 0.3 A per Ah between 0 and 10 °C; 0.2 of 100 Ah is 20 A.
        assert "Between 0 and 10 °C charge with at most 20 A" in found("cold-charging").why
        assert "at most 15 A" in found("cold-charging", {"pack.continuous_charge_a": 15}).why

    @pytest.mark.parametrize("chemistry", ["lto", "lead-flooded", "lead-agm"])
    def test_what_frost_does_not_harm(self, chemistry: str) -> None:
        assert found("cold-charging", base=pack(chemistry, 20)).verdict == "ok"


class TestController:
    @pytest.mark.parametrize(
        ("minimum", "cutoff", "expected"),
        [
            (42, None, "caution"),  # 2.625 V a cell: above 2.5, far past the knee (worked example)
            (39, None, "stop"),
            (42, 44.8, "stop"),
            (44.8, 44.8, "caution"),  # each holds its cut-off to about 1 % (common practice): either may come first
            (45.3, 44.8, "ok"),
            (48, 44.8, "ok"),
            (50, 44.8, "caution"),
            (54, 44.8, "stop"),
        ],
    )
    def test_minimum(self, minimum: float, cutoff: float | None, expected: str) -> None:
        changes = {"machine.minimum_voltage_v": minimum, "machine.foldback_voltage_v": GONE}
        changes["pack.low_cutoff_v"] = GONE if cutoff is None else cutoff
        finding = found("controller-minimum", changes)
        assert (finding.verdict, finding.value) == (expected, minimum)

    def test_minimum_on_lead_is_the_cut_off_of_the_trade(self) -> None:
        for volts, expected in ((42, "ok"), (40, "caution")):
            base = pack("lead-flooded", 24) | {"machine": {"minimum_voltage_v": volts}}
            assert found("controller-minimum", base=base).verdict == expected

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({"machine.maximum_voltage_v": 58.4}, "ok"),
            ({"machine.maximum_voltage_v": 58}, "caution"),
            ({"machine.maximum_voltage_v": 58, "machine.regenerates": True}, "stop"),
            ({"machine.maximum_voltage_v": 57}, "stop"),
            ({"machine.maximum_voltage_v": 58, "charger.output_voltage_v": GONE}, "stop"),
        ],
    )
    def test_maximum(self, changes: dict[str, Any], expected: str) -> None:
        finding = found("controller-maximum", changes)
        assert (finding.verdict, finding.value) == (expected, 58.4)

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({}, "ok"),
            ({"machine.precharge_ohm": 1000}, "caution"),
            ({"machine.precharge_ohm": 0.2}, "caution"),
            ({"machine.precharge_ohm": GONE}, "unknown"),
        ],
    )
    def test_precharge(self, changes: dict[str, Any], expected: str) -> None:
        finding = found("precharge", changes)
        assert finding.verdict == expected
        if not changes:
            assert finding.value == pytest.approx(0.47)  # 100 ohm times 4700 uF
        if expected == "unknown":
            assert "spark" in finding.why

    @pytest.mark.parametrize(
        ("changes", "expected", "says"),
        [
            ({}, "ok", "does not charge"),
            ({"machine.regenerates": GONE}, "unknown", "regenerates"),
            ({"machine.regenerates": True}, "ok", "58.3 V"),
            ({"machine.regenerates": True, "pack.continuous_charge_a": 100}, "caution", "brake is gone"),
            ({"machine.regenerates": True, "machine.maximum_voltage_v": 60}, "caution", "1.6 V of headroom"),
            ({"machine.regenerates": True, "machine.controller_current_a": 150}, "caution", "150 A"),
            ({"machine.regenerates": True, "pack.continuous_charge_a": GONE}, "unknown", "continuous_charge_a"),
        ],
    )
    def test_regeneration(self, changes: dict[str, Any], expected: str, says: str) -> None:
        # 57.6 V and 50 A through 14 mohm: 58.3 V, just below the cut-off of 58.4 V.
        finding = found("regeneration", changes)
        assert finding.verdict == expected
        assert says in finding.why

    @pytest.mark.parametrize(
        ("changes", "expected", "says"),
        [
            ({}, "ok", "in order"),
            ({"machine.foldback_voltage_v": 47.9}, "ok", "fold-back"),
            ({"machine.foldback_voltage_v": 45}, "caution", "late"),
            ({"machine.foldback_voltage_v": 50}, "caution", "early"),
            ({"pack.low_cutoff_v": 45}, "caution", "BMS cut-off"),
            ({"machine.foldback_voltage_v": GONE}, "unknown", "foldback_voltage_v"),
            (
                {"pack.chemistry": "lead-flooded", "pack.cells_in_series": 24, "machine.foldback_voltage_v": GONE},
                "unknown",
                "foldback_voltage_v",
            ),
        ],
    )
    def test_cut_off_order(self, changes: dict[str, Any], expected: str, says: str) -> None:
        finding = found("cut-off-order", changes)
        assert (finding.verdict, says in finding.why) == (expected, True), finding


class TestCurrents:
    def test_the_peak_is_taken_at_the_voltage_that_sags(self) -> None:
        # 48.0 V (3.0 V a cell at the knee), 14 mohm, 6000 W: I = 129.9 A at 46.2 V, and 46.2 * 129.9 = 6000.
        finding = found("pack-current")
        assert finding.value == pytest.approx(129.9, abs=0.1)
        assert finding.value * (48 - 0.014 * finding.value) == pytest.approx(6000, rel=1e-4)

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({"pack.peak_discharge_a": 130}, "ok"),
            ({"pack.peak_discharge_a": 125}, "stop"),
            ({"pack.continuous_discharge_a": 59}, "stop"),
            ({"pack.internal_resistance_mohm": 120}, "stop"),  # cannot give it at all: at most 48^2 / (4 * 0.12) W
            ({"pack.peak_discharge_a": GONE}, "unknown"),
            ({"pack.peak_discharge_a": GONE, "pack.continuous_discharge_a": 130}, "ok"),
        ],
    )
    def test_pack_current(self, changes: dict[str, Any], expected: str) -> None:
        assert verdict("pack-current", changes) == expected

    def test_where_the_resistance_is_not_stated_it_is_estimated_and_marked(self) -> None:
        finding = found("pack-current", {"pack.internal_resistance_mohm": GONE})
        assert "from memory" in finding.source
        assert "estimated" in found("sag", {"pack.internal_resistance_mohm": GONE}).why

    @pytest.mark.parametrize(
        ("power", "rating", "expected", "says"),
        [
            # 20 cells of 40 Ah: 15 to 60 mohm (0.75 to 3 mohm a cell); 66 V at the knee. At 60 mohm the most is
            # 66^2 / (4 * 0.06) = 18.15 kW; at 15 mohm 20 kW are 327 A at 61.1 V.
            (20000, 400, "caution", "does better"),
            (20000, 300, "stop", "327 A"),
            (80000, 2000, "stop", "cannot give 80 kW at all"),  # 66^2 / (4 * 0.015) = 72.6 kW
        ],
    )
    def test_an_estimated_resistance_is_a_stop_only_where_its_least_is_one(
        self, power: float, rating: float, expected: str, says: str
    ) -> None:
        base = pack("nmc", 20, capacity_ah=40, peak_discharge_a=rating, continuous_discharge_a=100)
        base |= {"machine": {"peak_power_w": power, "continuous_current_a": 50, "minimum_voltage_v": 58}}
        finding = found("pack-current", base=base)
        assert (finding.verdict, says in finding.why) == (expected, True), finding
        if power == 20000:  # half full, 74 V: collapsed to 48 V at 60 mohm, 69 V at 15
            assert (found("sag", base=base).verdict, "does better" in found("sag", base=base).why) == (
                "caution",
                True,
            )

    @pytest.mark.parametrize(
        ("check", "rating", "expected"),
        [
            ("pack-current", 100, "ok"),
            ("pack-current", 275, "caution"),
            ("pack-current", 301, "stop"),
            ("conductor-ampacity", 125, "ok"),
            ("conductor-ampacity", 275, "caution"),
            ("conductor-ampacity", 376, "stop"),
        ],
    )
    def test_the_controllers_rating_is_a_bound(self, check: str, rating: float, expected: str) -> None:
        # Above 100 A of the pack and the 125 A of 1/0 AWG at 60 degC a caution, from three times that on a stop.
        changes = {
            "machine.peak_power_w": GONE,
            "machine.continuous_current_a": GONE,
            "machine.controller_current_a": rating,
            "pack.peak_discharge_a": 400,
            "wiring.insulation_c": 60,
            "wiring.installation": "conduit",
            "wiring.conductor_awg": "1/0",
        }
        finding = found(check, changes)
        assert (finding.verdict, finding.value) == (expected, rating), finding
        assert "controller's rated" in finding.why

    def test_the_drop_at_the_controllers_rating(self) -> None:
        changes = {"machine.continuous_current_a": GONE, "machine.controller_current_a": 275}
        drop = found("voltage-drop", changes)
        assert drop.value == pytest.approx(275 * 2 * 1.2 / 304.8 * 0.194, abs=1e-3)
        assert "measure" in found("conductor-ampacity", changes).why

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({}, "ok"),
            ({"machine.peak_power_w": 9500, "pack.peak_discharge_a": 300}, "caution"),
            ({"machine.peak_power_w": 20000, "pack.peak_discharge_a": 300}, "stop"),
            ({"machine.minimum_voltage_v": GONE}, "unknown"),
            ({"machine.peak_power_w": GONE}, "unknown"),
        ],
    )
    def test_sag(self, changes: dict[str, Any], expected: str) -> None:
        assert verdict("sag", changes) == expected

    def test_the_wire_counts_in_the_sag(self) -> None:
        # 1.2 m of 2 AWG there and back at 75 degC: 2.4 / 304.8 * 0.194 = 1.53 mohm, at 129.9 A 0.198 V.
        near, far = found("sag"), found("sag", {"wiring.one_way_length_m": 2.4})
        assert near.value is not None
        assert far.value is not None
        assert near.value - far.value == pytest.approx(0.198, abs=1e-3)

    @pytest.mark.parametrize(
        ("changes", "value", "expected"),
        [
            ({}, 60 + 0.8 * 110, "ok"),
            ({"machine.implement_start_a": 180}, 60 + 0.8 * 180, "caution"),
            ({"machine.implement_start_a": 201}, 201, "stop"),
            ({"pack.peak_discharge_s": 0.2}, 148, "caution"),
            ({"machine.implement_start_a": GONE}, None, "unknown"),
            ({"pack.peak_discharge_a": GONE}, None, "unknown"),
        ],
    )
    def test_implement_start(self, changes: dict[str, Any], value: float | None, expected: str) -> None:
        finding = found("implement-start", changes)
        assert (finding.verdict, finding.value) == (expected, value)


class TestConductors:
    # NEC Table 310.16 by the row, end to end: the steady current at the ampacity and just above it.
    @pytest.mark.parametrize(
        ("gauge", "insulation", "carries"),
        [
            ("8", 60, 40),
            ("6", 75, 65),
            ("4", 60, 70),
            ("4", 90, 95),
            ("2", 75, 115),
            ("1/0", 75, 150),
            ("2/0", 90, 195),
        ],
    )
    def test_rows_of_the_american_table(self, gauge: str, insulation: int, carries: float) -> None:
        changes = {"wiring.conductor_awg": gauge, "wiring.insulation_c": insulation, "machine.peak_power_w": GONE}
        changes |= {"wiring.installation": "conduit"}
        at = found("conductor-ampacity", changes | {"machine.continuous_current_a": carries})
        above = found("conductor-ampacity", changes | {"machine.continuous_current_a": carries + 0.1})
        assert (above.verdict, above.limit) == ("stop", carries)
        assert at.verdict in ("ok", "caution")
        assert "NEC Table 310.16" in at.source

    def test_ends_of_ordinary_rating_are_a_caution(self) -> None:
        # NEC 110.14(C), from memory: up to 1 AWG the 60 degC column unless every end is marked for 75 degC.
        changes = {"wiring.conductor_awg": "4", "wiring.installation": "conduit", "machine.continuous_current_a": 80}
        finding = found("conductor-ampacity", changes)
        assert (finding.verdict, finding.limit) == ("caution", 70)
        assert "110.14(C)" in finding.source
        assert verdict("conductor-ampacity", changes | {"wiring.termination_c": 75}) == "ok"
        assert verdict("conductor-ampacity", changes | {"wiring.termination_c": 60}) == "caution"

    def test_ambient_and_bundling(self) -> None:
        # 2 AWG at 75 degC: 115 A, times 0.82 at 43 degC, times 0.80 for five together, which makes it a bundle.
        finding = found("conductor-ampacity", {"wiring.ambient_c": 43, "wiring.bundled_conductors": 5})
        assert (finding.limit, finding.verdict) == (pytest.approx(115 * 0.82 * 0.8, abs=1e-3), "ok")

    # IEC 60228 class 5, 3 m each way, 80 A, copper at the 60 degC of the insulation: 0.672 V.
    def test_rows_of_the_international_table(self) -> None:
        changes = {
            "wiring.conductor_awg": GONE,
            "wiring.conductor_mm2": 16,
            "wiring.insulation_c": 60,
            "wiring.one_way_length_m": 3,
            "machine.continuous_current_a": 80,
        }
        finding = found("voltage-drop", changes)
        assert finding.value == pytest.approx(0.672, rel=0.005)
        assert "IEC 60228" in finding.source
        thicker = found("voltage-drop", changes | {"wiring.conductor_mm2": 25})
        assert thicker.value == pytest.approx(0.374 * 0.672 / 0.581, rel=0.005)

    # A published worked example: 16 AWG, 100 ft one way, 4 A at 24 V: 4.0 V, 16.7 % (3.992 V by 4.99 ohm/kft).
    def test_the_first_published_voltage_drop(self) -> None:
        base = pack("lead-flooded", 12) | {
            "wiring": {"conductor_awg": 16, "one_way_length_m": 30.48},
            "machine": {"continuous_current_a": 4},
        }
        finding = found("voltage-drop", base=base)
        assert finding.value == pytest.approx(3.992, rel=1e-4)
        assert finding.value == pytest.approx(4.0, rel=0.005)
        assert "16.6 % of 24.0 V" in finding.why
        assert finding.verdict == "caution"

    # Another published example, by K = 12.9: 12 AWG, 100 ft, 20 A at 120 V: 7.902 V, 6.6 %; 8 AWG 3.125 V, 2.6 %.
    @pytest.mark.parametrize(
        ("gauge", "printed", "share", "expected"), [(12, 7.902, "6.6 %", "caution"), (8, 3.125, "2.6 %", "ok")]
    )
    def test_the_second_published_voltage_drop(self, gauge: int, printed: float, share: str, expected: str) -> None:
        base = pack("lead-flooded", 60) | {
            "wiring": {"conductor_awg": gauge, "one_way_length_m": 30.48, "insulation_c": 75},
            "machine": {"continuous_current_a": 20},
        }
        finding = found("voltage-drop", base=base)
        assert finding.value == pytest.approx(printed, rel=0.005)
        assert share in finding.why
        assert finding.verdict == expected

    # 4 AWG, 10 ft, 100 A: 0.616 V, 1.20 % of 51.2 V.
    def test_a_worked_drop_at_the_voltage_of_the_pack(self) -> None:
        changes = {"wiring.conductor_awg": 4, "wiring.one_way_length_m": 3.048, "machine.continuous_current_a": 100}
        finding = found("voltage-drop", changes | {"machine.peak_power_w": GONE})
        assert finding.value == pytest.approx(0.616, rel=0.005)
        assert "1.2 % of 51.2 V" in finding.why

    def test_insulation_that_decides_is_asked_for(self) -> None:
        changes = {"wiring.conductor_awg": 4, "wiring.insulation_c": GONE}
        assert found("conductor-ampacity", changes).verdict == "ok"  # 60 A: even the poorest carries 70
        asked = found("conductor-ampacity", changes | {"machine.continuous_current_a": 90})
        assert (asked.verdict, asked.lacking) == ("unknown", (("wiring", "insulation_c"), ("wiring", "installation")))
        # 4 AWG in conduit: 70 A at 60 degC, 0.70 of 170 A at 125 degC.
        lies = changes | {"wiring.installation": "conduit", "wiring.termination_c": 105}
        asked = found("conductor-ampacity", lies | {"machine.continuous_current_a": 90})
        assert (asked.verdict, asked.lacking) == ("unknown", (("wiring", "insulation_c"),))
        assert found("conductor-ampacity", lies | {"machine.continuous_current_a": 120}).verdict == "stop"

    def test_a_single_cable_in_free_air_is_not_stopped_by_the_table_for_conduit(self) -> None:
        # 4 AWG at 75 degC: NEC Table 310.16 85 A, 33 CFR 183.425 Table 5 125 A.
        changes = {"wiring.conductor_awg": "4", "wiring.termination_c": 75, "machine.continuous_current_a": 100}
        open_ = found("conductor-ampacity", changes)
        assert (open_.verdict, open_.limit) == ("caution", 85)
        for words in (
            "85 A in conduit",
            "NEC 310.16",
            "125 A in free air",
            "33 CFR 183.425",
            "[wiring] installation",
        ):
            assert words in open_.why
        lies = {
            way: found("conductor-ampacity", changes | {"wiring.installation": way}) for way in INSTALLATION_WORDS
        }
        assert {way: (each.verdict, each.limit) for way, each in lies.items()} == {
            "free-air": ("ok", 125),
            "bundled": ("stop", 85),
            "conduit": ("stop", 85),
        }
        assert found("conductor-ampacity", changes | {"machine.continuous_current_a": 126}).verdict == "stop"

    def test_cables_for_engine_spaces(self) -> None:
        # 33 CFR 183.425 Table 5: 2 AWG 210 A at 105 degC and 225 A at 125 degC, in 30 degC air.
        base = {"wiring.installation": "free-air", "wiring.termination_c": 105, "machine.peak_power_w": GONE}
        base |= {"machine.continuous_current_a": 205}
        assert found("conductor-ampacity", base | {"wiring.insulation_c": 105}).limit == 210
        assert found("conductor-ampacity", base | {"wiring.insulation_c": 125}).limit == 225

    @settings(max_examples=30)
    @given(
        st.floats(1, 300),
        st.sampled_from((60, 75, 90, 105, 125)),
        st.sampled_from((60, 75, 90, 105)),
        st.sampled_from(tuple(INSTALLATION_WORDS)),
        st.sets(st.sampled_from(("insulation_c", "termination_c", "installation"))),
    )
    def test_what_is_left_open_is_never_better_than_the_worst_nor_a_stop_that_a_statement_would_lift(
        self, amperes, insulation, termination, installation, left_out
    ) -> None:
        stated = {
            "wiring.insulation_c": insulation,
            "wiring.termination_c": termination,
            "wiring.installation": installation,
            "machine.continuous_current_a": amperes,
            "machine.peak_power_w": GONE,
        }
        open_ = verdict(
            "conductor-ampacity", stated | {f"wiring.{key}": GONE for key in left_out - {"termination_c"}}
        )
        full = verdict("conductor-ampacity", stated)
        assert (open_ == "stop") <= (full == "stop")
        assert (open_ == "ok") <= (full == "ok")

    @settings(max_examples=30)
    @given(st.floats(1, 300), st.floats(1, 300), st.sampled_from((*INSTALLATION_WORDS, GONE)))
    def test_more_current_is_never_better(self, one, other, installation) -> None:
        changes = {"wiring.installation": installation, "machine.peak_power_w": GONE}
        less, more = (
            verdict("conductor-ampacity", changes | {"machine.continuous_current_a": each})
            for each in sorted((one, other))
        )
        assert RANK[more] >= RANK[less]

    def test_outside_the_table_is_unknown(self) -> None:
        assert verdict("conductor-ampacity", {"wiring.conductor_awg": 20}) == "unknown"

    # UL 1977, from memory: 30 degC at the rating; by the square of the current (see the lugs of UL 486A).
    @pytest.mark.parametrize(
        ("rated", "rise", "expected"), [(120, "8 °C", "ok"), (70, "22 °C", "caution"), (59, "31 °C", "stop")]
    )
    def test_connector(self, rated: float, rise: str, expected: str) -> None:
        finding = found("connector", {"wiring.connector_a": rated})
        assert (finding.verdict, rise in finding.why) == (expected, True)

    def test_the_connector_of_the_charger_counts_where_it_is_stated(self) -> None:
        finding = found("connector", {"charge_wiring.connector_a": 15})
        assert (finding.verdict, finding.value, finding.limit) == ("stop", 18, 15)

    def test_charge_conductor(self) -> None:
        assert verdict("charge-conductor") == "ok"
        thin = {"charge_wiring.conductor_mm2": 1.5}  # counts as 16 AWG: 10 A at most
        assert (found("charge-conductor", thin).verdict, found("charge-conductor", thin).limit) == ("stop", 10.5)


class TestFuses:
    @pytest.mark.parametrize(
        ("fuse", "expected", "limit"),
        [
            (59, "stop", 75),
            (60, "caution", 75),
            (74, "caution", 75),
            (75, "ok", 115),
            (115, "ok", 115),
            (125, "caution", 115),
            (126, "stop", 115),
        ],
    )
    def test_size(self, fuse: float, expected: str, limit: float) -> None:
        # 60 A steady: 75 A and more (1.25 times); 2 AWG at 75 degC carries 115 A, the next standard size is 125 A.
        finding = found("fuse-size", {"wiring.fuse_a": fuse, "wiring.installation": "conduit"})
        assert (finding.verdict, finding.value, finding.limit) == (expected, fuse, limit)

    def test_a_small_conductor_has_a_highest_fuse_whatever_it_carries(self) -> None:
        # NEC 240.4(D): 10 AWG at most 30 A, though its 90 degC column says 40 A.
        changes = {"charge_wiring.fuse_a": 35, "charge_wiring.insulation_c": 90}
        finding = found("charge-fuse", changes | {"charge_wiring.installation": "conduit"})
        assert (finding.verdict, finding.limit) == ("stop", 30)
        assert "240.4(D)" in finding.source
        # The rule is for building wire: it does not bind a single cable in free air, 55 A by 33 CFR 183.425.
        assert verdict("charge-fuse", changes | {"charge_wiring.installation": "free-air"}) == "ok"
        open_ = found("charge-fuse", changes)
        assert (open_.verdict, "NEC 240.4(D)" in open_.why, "55 A in free air" in open_.why) == (
            "caution",
            True,
            True,
        )

    def test_fifteen_amperes_are_no_next_size_for_a_conductor_that_carries_six(self) -> None:
        # 14 AWG, 60 degC column 15 A, times 0.41 at 52 degC: 6.15 A.
        hot = {"charge_wiring.conductor_mm2": 2.5, "charge_wiring.insulation_c": 60, "charge_wiring.ambient_c": 52}
        hot |= {"charge_wiring.installation": "conduit"}
        finding = found("charge-fuse", hot | {"charge_wiring.fuse_a": 15})
        assert (finding.verdict, finding.limit) == ("stop", pytest.approx(6.15))

    def test_charge_fuse(self) -> None:
        assert verdict("charge-fuse") == "ok"
        assert verdict("charge-fuse", {"charge_wiring.fuse_a": 20}) == "caution"
        assert verdict("charge-fuse", {"charge_wiring.fuse_a": 15}) == "stop"
        assert verdict("charge-fuse", {"charge_wiring.fuse_a": GONE}) == "unknown"

    @settings(max_examples=25)
    @given(st.floats(1, 500), st.floats(1, 500))
    def test_a_larger_fuse_above_the_conductor_is_never_better(self, one: float, other: float) -> None:
        smaller, larger = (found("fuse-size", {"wiring.fuse_a": 75 + each}).verdict for each in sorted((one, other)))
        assert RANK[larger] >= RANK[smaller]

    @settings(max_examples=25)
    @given(st.floats(1, 75), st.floats(1, 75))
    def test_a_smaller_fuse_below_the_current_is_never_better(self, one: float, other: float) -> None:
        smaller, larger = (found("fuse-size", {"wiring.fuse_a": each}).verdict for each in sorted((one, other)))
        assert RANK[smaller] >= RANK[larger]

    # ISO 8820, from memory: blade fuses are for 32 or 58 V, and sixteen full cells bring 58.4 V.
    @pytest.mark.parametrize(("rated", "expected"), [(32, "stop"), (58, "stop"), (58.4, "ok"), (80, "ok")])
    def test_voltage(self, rated: float, expected: str) -> None:
        finding = found("fuse-voltage", {"wiring.fuse_voltage_v": rated})
        assert (finding.verdict, finding.value, finding.limit) == (expected, 58.4, rated)

    def test_a_fuse_that_does_not_state_it_is_asked_for_enough(self) -> None:
        # 16 cells of 100 Ah: 4 mohm at the least, 58.4 V: 14.6 kA, and a fifth more: a fuse for 10 kA would burst.
        finding = found("fuse-interrupting", base=pack("lfp", 16) | {"wiring": {"fuse_a": 100}})
        assert finding.verdict == "unknown"
        assert "at least 17500 A DC" in finding.note

    def test_the_fuse_of_the_charger_is_looked_at_too(self) -> None:
        assert verdict("fuse-voltage", {"charge_wiring.fuse_voltage_v": 32}) == "stop"
        assert verdict("fuse-voltage", {"charge_wiring.fuse_voltage_v": GONE}) == "unknown"
        assert verdict("fuse-interrupting", {"charge_wiring.fuse_interrupting_a": 1000}) == "stop"

    @pytest.mark.parametrize(
        ("breaks", "expected", "value"),
        [(20000, "ok", 7300), (14600, "ok", 7300), (14500, "caution", 14600), (7200, "stop", 7300)],
    )
    def test_interrupting(self, breaks: float, expected: str, value: float) -> None:
        # 8 mohm after a second, half of it at once, and 4 mohm of wire at the full 58.4 V: 7300 A; right behind the
        # pack it is 14600 A. The wire's 4 mohm are 2 AWG at 20 degC, there and back.
        length = 0.004 / 2 / (0.194 / 304.8 / (1 + 0.00393 * 55))
        changes = {"pack.internal_resistance_mohm": 8, "wiring.one_way_length_m": length}
        finding = found("fuse-interrupting", changes | {"wiring.fuse_interrupting_a": breaks})
        assert finding.verdict == expected
        assert finding.value == pytest.approx(value, rel=1e-3)

    def test_without_a_stated_resistance_the_short_circuit_is_taken_at_the_high_side(self) -> None:
        # 0.25 mohm for a cell of 100 Ah, from memory: 16 of them are 4 mohm, at 58.4 V.
        finding = found("fuse-interrupting", {"pack.internal_resistance_mohm": GONE, "wiring.one_way_length_m": GONE})
        assert finding.value == pytest.approx(14600)
        assert "from memory" in finding.source

    # 58.4 V over 7 mohm (half of 14) and 1.2 m of 2 AWG there and back at 20 degC (1.256 mohm): 7074 A; with a fifth
    # more on top 8488 A.
    @pytest.mark.parametrize(("breaks", "expected"), [(8500, "ok"), (8400, "caution"), (7000, "stop")])
    def test_a_fifth_is_left_on_the_interrupting_rating(self, breaks: float, expected: str) -> None:
        near = {"charge_wiring.one_way_length_m": 100, "wiring.one_way_length_m": 1.2}
        finding = found("fuse-interrupting", near | {"wiring.fuse_interrupting_a": breaks})
        assert finding.verdict == expected
        if expected != "caution":
            return
        assert "58.4 V" in finding.why
        assert "half of the 14 mΩ" in finding.why

    def test_an_ohmic_resistance_decides_over_the_half(self) -> None:
        finding = found("fuse-interrupting", {"pack.ohmic_resistance_mohm": 10, "wiring.one_way_length_m": GONE})
        assert finding.value == pytest.approx(5840)
        assert "10 mΩ ohmic" in finding.why


def test_below_60_volts_wet_skin_is_at_risk_all_the_same() -> None:
    # NEC chapter 9, table 11: 60 V DC where it is dry, 30 V where it is wet (from memory)
    assert "Wet skin" in found("touch-voltage").why
    assert "Wet skin" not in found("touch-voltage", base=pack("lfp", 8)).why


class TestBatteryUse:
    @pytest.mark.parametrize(
        ("standby", "days", "expected"),
        [(0, 500, "ok"), (0.005, 227.3, "ok"), (0.02, 86.2, "caution"), (0.5, 4.1, "caution")],
    )
    def test_storage(self, standby: float, days: float, expected: str) -> None:
        # Half of 100 Ah over 24 times the standby current and 3 % a month.
        finding = found("storage", {"machine.standby_current_a": standby})
        assert (finding.verdict, finding.unit) == (expected, "days")
        assert finding.value == pytest.approx(days, abs=0.1)

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            ({}, "ok"),
            ({"machine.keeps_old_gauge": True}, "caution"),
            ({"machine.keeps_old_gauge": True, "machine.previous_chemistry": "lfp"}, "ok"),
            ({"machine.keeps_old_gauge": True, "machine.previous_chemistry": GONE}, "unknown"),
            ({"machine.keeps_old_gauge": GONE}, "unknown"),
        ],
    )
    def test_old_gauge(self, changes: dict[str, Any], expected: str) -> None:
        assert verdict("old-gauge", changes) == expected

    @pytest.mark.parametrize(
        ("capacity", "weight", "change", "expected"),
        [(60, 600, -26, "ok"), (200, 600, -194, "caution"), (60, 500, -26, "caution")],
    )
    def test_mass(self, capacity: float, weight: float, change: float, expected: str) -> None:
        # 24 lead cells of 2 V at 40 Wh/kg (from memory): 48 V * 60 Ah / 40 = 72 kg against 46 kg.
        changes = {"machine.previous_capacity_ah": capacity, "machine.mass_kg": weight}
        finding = found("mass", changes)
        assert (finding.verdict, finding.value) == (expected, change)
        if expected == "caution":
            assert "slope" in finding.why

    def test_energy(self) -> None:
        # Mean open-circuit voltage less the sag of 60 A in 14 mohm: (16 * 3.298 - 0.84) V * 100 Ah * 0.9, against
        # (24 * 2.075 - 60 * 0.030) V * 50 % of 200 Ah by Peukert, 1.2, at 60 A: 200 * (10/60)^0.2 = 139.8 Ah.
        finding = found("energy", {"machine.previous_capacity_ah": 200})
        old = (24 * 2.075 - 60 * 0.030) * 0.5 * 200 * (10 / 60) ** 0.2
        new = (16 * 3.298 - 0.84) * 90
        assert (finding.value, finding.limit) == (pytest.approx(new), pytest.approx(0.8 * old, rel=1e-4))
        by_owner = found("energy", {"pack.open_circuit": [[0, 2.8], [10, 3.2], [100, 3.2]]})
        assert by_owner.value == pytest.approx((16 * 3.2 - 0.84) * 90)
        assert finding.verdict == "ok"
        assert "140 Ah" in finding.why
        assert verdict("energy", {"machine.previous_capacity_ah": 600}) == "caution"
        assert verdict("energy", {"machine.continuous_current_a": GONE}) == "unknown"
