from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.limits import CONDITION_NAMES, LIMIT_NAMES, Limit, default_limits, limits_for, unjudged
from telemetry.machine.limits_current import conductor_window_s, pack_window_s
from telemetry.machine.limits_frame import ResistanceHistory
from telemetry.machine.machine_file import Machine, parse_machine
from telemetry.machine.pack_keys import Pack
from telemetry.machine.vehicle_keys import Vehicle
from telemetry.model.signals import find_signal
from tests.reference.drives import faulty_drive

ROOT = Path(__file__).parents[2]
LFP = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
ALWAYS = [
    "pack-voltage-low",
    "pack-voltage-high",
    "cell-voltage-low",
    "cell-voltage-high",
    "pack-temperature-high",
    "pack-temperature-low",
    "cell-spread-rest",
    "cell-spread-load",
    "cell-imbalance-top",
    "cell-charge-low",
    "cell-resistance",
    "charging-cold",
    "charging-cool",
    "charging-hot",
    "charger-left-on",
    "soc-low",
    "motor-temperature-high",
    "controller-temperature-high",
    "joint-heating",
    "auxiliary-voltage-low",
    "insulation-low",
    *CONDITION_NAMES,
]


def machine_of(text: str) -> Machine:
    machine, problems = parse_machine(text, "m.toml")
    assert machine is not None, problems
    return machine


def limits_of(text: str) -> dict[str, Limit]:
    return {limit.name: limit for limit in limits_for(machine_of(text))}


class TestByChemistry:
    def test_the_limits_that_need_no_figure(self) -> None:
        limits = limits_of(LFP)
        assert list(limits) == [name for name in ALWAYS if name != "fault-code"]
        assert {limit.signal for limit in limits.values()} == {
            "pack_voltage",
            "cell_min_voltage",
            "cell_max_voltage",
            "pack_temperature_*",
            "cell_spread_rest",
            "cell_spread_load",
            "cell_imbalance_top",
            "cell_charge_deficit",
            "cell_resistance_ratio",
            "cold_charge_current",
            "cool_charge_current",
            "hot_charge_current",
            "motor_temperature",
            "controller_temperature",
            "auxiliary_voltage",
            "path_heat",
            "minutes_since_full",
            "insulation_resistance",
            "soc_lower_bound",
            *CONDITION_NAMES,
        } - {"fault-code"}

    @pytest.mark.parametrize(
        ("cells", "low", "high"), [(12, 30.0, 44.4), (13, 32.5, 48.1), (15, 37.5, 55.5), (16, 40.0, 59.2)]
    )
    def test_pack_windows_of_the_trade(self, cells: int, low: float, high: float) -> None:
        # Common practice for lithium iron phosphate: 2.5 V a cell; 3.70 V, above any ordinary charge to 3.65 V.
        limits = limits_of(LFP.replace("16", str(cells)))
        assert limits["pack-voltage-low"].trip == pytest.approx(low)
        assert limits["pack-voltage-high"].trip == pytest.approx(high)

    def test_frost_and_heat_warn_where_charging_must_stop(self) -> None:
        limits = limits_of(LFP)
        assert (limits["pack-temperature-low"].warn, limits["pack-temperature-low"].trip) == (0.0, -20.0)
        assert (limits["pack-temperature-high"].warn, limits["pack-temperature-high"].trip) == (45.0, 60.0)
        lead = limits_of(LFP.replace("lfp", "lead-flooded"))
        assert (lead["pack-temperature-high"].warn, lead["pack-temperature-high"].trip) == (45.0, 50.0)

    def test_spread_is_within_the_thresholds_of_the_trade(self) -> None:
        # Common practice, from memory: warn at 50 mV, alarm at 100 to 300 mV.
        for name in ("cell-spread-rest", "cell-spread-load"):
            spread = limits_of(LFP)[name]
            assert spread.warn is not None
            assert 0.05 <= spread.warn <= 0.15
            assert spread.trip is not None
            assert 0.1 <= spread.trip <= 0.3

    def test_charging_is_judged_by_the_chemistry(self) -> None:
        assert "below 0 °C" in limits_of(LFP)["charging-cold"].origin
        assert "below -30 °C" in limits_of(LFP.replace("lfp", "lto"))["charging-cold"].origin

    def test_motor_and_controller_by_common_practice(self) -> None:
        # IEC 60085 thermal class 130 (from memory), less 30 degC from winding to case; fold-back from about 85 degC.
        limits = limits_of(LFP)
        assert (limits["motor-temperature-high"].warn, limits["motor-temperature-high"].trip) == (90.0, 100.0)
        assert (limits["controller-temperature-high"].warn, limits["controller-temperature-high"].trip) == (
            75.0,
            85.0,
        )
        assert "is not stated" in limits["motor-temperature-high"].origin

    def test_auxiliary_supply_of_12_v(self) -> None:
        # Common practice: a lead battery of six cells is flat at 1.75 V a cell.
        assert limits_of(LFP)["auxiliary-voltage-low"].trip == pytest.approx(6 * 1.75)

    def test_insulation_by_the_regulation(self) -> None:
        # UN Regulation No. 100, from memory: 100 ohm/V for DC, 500 ohm/V with AC; 16 cells at 3.65 V are 58.4 V.
        unknown = limits_of(LFP)["insulation-low"]
        assert (unknown.warn, unknown.trip) == (pytest.approx(29_200), pytest.approx(5_840))
        ac = limits_of(LFP + '[machine]\nmotor_type = "ac"\n')["insulation-low"]
        assert ac.trip == pytest.approx(29_200)
        assert limits_of(LFP + '[machine]\nmotor_type = "dc"\n')["insulation-low"].trip == pytest.approx(5_840)

    def test_lead_is_warned_of_at_half_its_charge(self) -> None:
        # Common practice, from memory: lead wears fast below half, lithium packs are used down to a fifth.
        assert limits_of(LFP)["soc-low"].warn == 20.0
        assert limits_of(LFP.replace("lfp", "lead-agm"))["soc-low"].warn == 50.0


class TestByTheOwnersFigures:
    def test_the_packs_cut_offs_come_before_chemistry(self) -> None:
        limits = limits_of(LFP + "low_cutoff_v = 44.0\nhigh_cutoff_v = 58.0")
        low, high = limits["pack-voltage-low"], limits["pack-voltage-high"]
        assert (low.warn, low.trip) == (pytest.approx(46.2), 44.0)
        assert low.origin == "BMS cut-off 44.0 V ([pack] low_cutoff_v); warn 5 % above"
        assert (high.warn, high.trip) == (pytest.approx(57.42), 58.0)

    def test_a_cut_off_near_the_nominal_voltage_leaves_the_warning_below_it(self) -> None:
        low = limits_of(LFP + "low_cutoff_v = 50.0")["pack-voltage-low"]
        assert low.warn == pytest.approx(50.9)
        assert "three quarters" in low.origin

    def test_a_controller_that_stops_first_sets_the_trip(self) -> None:
        text = LFP + "low_cutoff_v = 40\n[machine]\nminimum_voltage_v = 44\nmaximum_voltage_v = 56\n"
        limits = limits_of(text)
        assert limits["pack-voltage-low"].trip == 44.0
        assert "[machine] minimum_voltage_v" in limits["pack-voltage-low"].origin
        assert limits["pack-voltage-high"].trip == 56.0

    def test_a_wide_controller_never_widens_the_packs_window(self) -> None:
        limits = limits_of(LFP + "[machine]\nminimum_voltage_v = 20\nmaximum_voltage_v = 90\n")
        assert limits["pack-voltage-low"].trip == pytest.approx(40.0)
        assert limits["pack-voltage-high"].trip == pytest.approx(59.2)

    def test_power_that_falls_away_is_warned_of_where_it_begins(self) -> None:
        low = limits_of(LFP + "[machine]\nminimum_voltage_v = 42\nfoldback_voltage_v = 46\n")["pack-voltage-low"]
        assert (low.warn, low.trip) == (46.0, 42.0)
        assert "foldback_voltage_v" in low.origin

    def test_stated_temperatures_of_motor_and_controller(self) -> None:
        text = LFP + "[machine]\nmotor_temperature_max_c = 140\ncontroller_temperature_max_c = 70\n"
        limits = limits_of(text)
        assert (limits["motor-temperature-high"].warn, limits["motor-temperature-high"].trip) == (130.0, 140.0)
        assert (limits["controller-temperature-high"].warn, limits["controller-temperature-high"].trip) == (
            60.0,
            70.0,
        )
        assert limits["motor-temperature-high"].origin.startswith("[machine] motor_temperature_max_c 140 °C")

    def test_balancing_takes_the_missing_charge_over_the_balance_current(self) -> None:
        # 1 % of 100 Ah at 125 mA are 8 h.
        stated = limits_of(LFP + "balance_current_ma = 125\n")["cell-imbalance-top"].origin
        assert "8 h near full for each 1 %" in stated
        assert "not known" in limits_of(LFP)["cell-imbalance-top"].origin

    def test_currents_follow_the_sign_rule(self) -> None:
        limits = limits_of(
            LFP + "continuous_discharge_a=100\npeak_discharge_a=200\npeak_discharge_s=10\ncontinuous_charge_a=50"
        )
        names = ("discharge-current", "discharge-peak", "charge-current", "charge-peak")
        steady, peak, charge, charge_peak = (limits[name] for name in names)
        assert (steady.side, steady.warn, steady.trip) == ("high", 90.0, 100.0)
        assert (peak.side, peak.warn, peak.trip) == ("high", 180.0, 200.0)
        assert (charge.side, charge.warn, charge.trip) == ("low", -47.5, -50.0)
        assert (charge_peak.side, charge_peak.trip, charge_peak.signal) == ("low", -50.0, "pack_current")
        assert peak.raise_delay_s < 1.0 < charge_peak.raise_delay_s

    def test_a_pull_away_of_a_second_does_not_cry_wolf_but_what_lasts_is_told_within_five(self) -> None:
        limits = limits_of(LFP)
        assert 1.0 < limits["pack-voltage-low"].raise_delay_s <= 5.0
        assert 1.0 < limits["cell-voltage-low"].raise_delay_s <= 5.0

    def test_what_has_no_ground_says_which_key_is_missing(self) -> None:
        reasons = unjudged(machine_of(LFP))
        assert set(reasons) == {
            "discharge-current",
            "discharge-peak",
            "charge-current",
            "charge-peak",
            "cell-spread",
            "cell-spread-top",
            "energy-left",
            "resistance-up",
            "fault-code",
        }
        assert reasons["charge-peak"].startswith("unknown: [pack] continuous_charge_a")
        for key in ("[pack] continuous_discharge_a", "[wiring] conductor_mm2", "[wiring] fuse_a"):
            assert key in reasons["discharge-current"]
        assert reasons["energy-left"].startswith("unknown: [work] area_ha")

    def test_resistance_needs_earlier_sessions(self) -> None:
        machine = machine_of(LFP)
        history = ResistanceHistory((0.02,), (20.0,), (50.0,), 1)
        assert "no earlier session" in unjudged(machine)["resistance-up"]
        assert "resistance-up" not in unjudged(machine, history)
        limit = next(limit for limit in limits_for(machine, history) if limit.name == "resistance-up")
        assert "1 earlier session of this machine" in limit.origin


class TestCurrentsOnTheirWay:
    RATED = LFP + "continuous_discharge_a = 150\npeak_discharge_a = 300\npeak_discharge_s = 10\n"

    def test_the_weakest_part_sets_the_bound_and_all_are_named(self) -> None:
        text = self.RATED + "[wiring]\nconductor_awg = 4\ninsulation_c = 75\nfuse_a = 125\nconnector_a = 120\n"
        limit = limits_of(text)["discharge-current"]
        # NEC Table 310.16, 75 degC column: 4 AWG 85 A (secondary copies agree).
        assert limit.trip == 85.0
        assert limit.warn == pytest.approx(76.5)
        for words in ("4 AWG conductor", "in conduit", "NEC 310.16", "pack 150 A", "fuse 100 A", "connector 120 A"):
            assert words in limit.origin

    @pytest.mark.parametrize(
        ("insulation", "installation", "carries"),
        [(75, "free-air", 125), (105, "free-air", 160), (90, "conduit", 95)],
    )
    def test_a_conductor_counts_by_its_insulation_and_how_it_lies(self, insulation, installation, carries) -> None:
        # 4 AWG by 33 CFR 183.425 Table 5 in free air, by NEC Table 310.16 in conduit.
        text = f'[wiring]\nconductor_awg = 4\ninsulation_c = {insulation}\ninstallation = "{installation}"\n'
        limit = limits_of(self.RATED.replace("= 150", "= 190") + text)["discharge-current"]
        assert limit.trip == carries

    def test_a_fuse_carries_four_fifths_of_its_rating(self) -> None:
        # NEC, continuous loads: the rating is to be 1.25 times the continuous current.
        limit = limits_of(self.RATED + "[wiring]\nfuse_a = 100\n")["discharge-current"]
        assert limit.trip == 80.0

    def test_wiring_of_the_charger_bounds_the_charge_alone(self) -> None:
        text = self.RATED + "continuous_charge_a = 50\n[charge_wiring]\nfuse_a = 30\n"
        limits = limits_of(text)
        assert limits["charge-current"].trip == -24.0
        assert limits["discharge-current"].trip == 150.0
        assert limits["charge-peak"].trip == -50.0

    def test_the_window_of_a_pack_brings_its_peak_up_to_its_rating_when_its_time_is_over(self) -> None:
        window = pack_window_s(150.0, 300.0, 10.0)
        assert 300.0**2 * (1 - math.exp(-10.0 / window)) == pytest.approx(150.0**2)

    def test_thick_conductors_heat_slowly(self) -> None:
        assert conductor_window_s(6.0) < conductor_window_s(35.0)
        assert 60.0 < conductor_window_s(6.0) < 150.0
        assert 200.0 < conductor_window_s(35.0) < 600.0


class TestOverrides:
    def test_an_override_says_so(self) -> None:
        text = LFP + "[limits.cell-spread-rest]\nwarn = 0.08\nraise_delay_s = 60\n"
        spread = limits_of(text)["cell-spread-rest"]
        assert (spread.warn, spread.trip, spread.raise_delay_s) == (0.08, 0.2, 60.0)
        assert spread.origin.endswith("[limits.cell-spread-rest]: warn 0.05 to 0.08, raise_delay_s 20 to 60")

    def test_a_plain_spread_comes_into_force_by_the_owners_number(self) -> None:
        spread = limits_of(LFP + "[limits.cell-spread]\nwarn = 0.1\n")["cell-spread"]
        assert (spread.signal, spread.warn, spread.trip) == ("cell_spread", 0.1, None)
        assert (spread.clear_margin, spread.raise_delay_s, spread.clear_delay_s) == (0.01, 10.0, 30.0)

    def test_a_limit_switched_off_is_gone_and_says_why(self) -> None:
        machine = machine_of(LFP + "[limits.cell-spread-load]\nenabled = false\n")
        assert "cell-spread-load" not in {limit.name for limit in limits_for(machine)}
        assert unjudged(machine)["cell-spread-load"].startswith("switched off by [limits.cell-spread-load] enabled")
        assert "cell-spread-load" in {limit.name for limit in default_limits(machine)}

    def test_a_rating_that_only_the_override_states_is_ground_enough(self) -> None:
        charge = limits_of(LFP + "[limits.charge-current]\ntrip = -20\n")["charge-current"]
        assert (charge.warn, charge.trip, charge.side) == (None, -20.0, "low")
        assert "[limits.charge-current]" in charge.origin

    def test_a_link_has_no_bounds_to_set(self) -> None:
        _, problems = parse_machine(LFP + "[limits.link]\nraise_delay_s = 5\n", "m.toml")
        assert [problem.where.rpartition(", ")[2] for problem in problems] == ["[limits.link] raise_delay_s"]
        machine = machine_of(LFP + "[limits.link]\nenabled = false\n")
        assert unjudged(machine)["link"].startswith("switched off by [limits.link] enabled = false")

    @pytest.mark.parametrize("name", CONDITION_NAMES)
    def test_what_no_number_decides_can_be_switched_off_and_latched(self, name: str) -> None:
        _, problems = parse_machine(LFP + f"[limits.{name}]\ntrip = 5\n", "m.toml")
        assert [problem.where.rpartition(", ")[2] for problem in problems] == [f"[limits.{name}] trip"]
        machine = machine_of(LFP + f"[limits.{name}]\nenabled = false\nlatched = true\n")
        assert name not in {limit.name for limit in limits_for(machine)}

    def test_an_empty_override_changes_nothing(self) -> None:
        assert limits_of(LFP + "[limits.cell-spread]\n") == limits_of(LFP)
        assert "discharge-current" not in limits_of(LFP + "[limits.discharge-current]\nclear_margin = 1\n")


DEVICE_KEYS = {
    "pack": ("low_cutoff_v", "high_cutoff_v", "cell_low_cutoff_v", "cell_high_cutoff_v"),
    "vehicle": ("minimum_voltage_v", "maximum_voltage_v", "foldback_voltage_v"),
}
"""What an owner states of BMS and controller. The cell maker's figures (``cell_charge_v`` and the like) replace our
table of the cell itself, so a sheet that allows more moves the warnings; these keys must not."""


def _first(limit: Limit) -> float:
    """Return the bound that is crossed first."""
    bound = limit.trip if limit.warn is None else limit.warn
    assert bound is not None
    return bound


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_stating_what_a_device_does_never_weakens_a_warning_of_voltage(data: st.DataObject) -> None:
    chemistry = data.draw(st.sampled_from(sorted(CHEMISTRIES)))
    cell, cells = CHEMISTRIES[chemistry], data.draw(st.integers(1, 40))
    low, high = (st.floats(0.5, 0.99 * cell.nominal_v), st.floats(1.01 * cell.nominal_v, 1.4 * cell.maximum_v))
    drawn = {
        "low_cutoff_v": low.map(lambda v: cells * v),
        "high_cutoff_v": high.map(lambda v: cells * v),
        "cell_low_cutoff_v": low,
        "cell_high_cutoff_v": high,
        "minimum_voltage_v": low.map(lambda v: cells * v),
        "maximum_voltage_v": high.map(lambda v: cells * v),
        "foldback_voltage_v": low.map(lambda v: cells * v),
    }
    key = data.draw(st.sampled_from(sorted(drawn)))
    stated = {name: data.draw(st.none() | each) for name, each in drawn.items()}

    def limits(values: dict[str, float | None]) -> dict[str, Limit]:
        pack = Pack(
            chemistry=chemistry,
            cells_in_series=cells,
            capacity_ah=100.0,
            **{name: values[name] for name in DEVICE_KEYS["pack"]},
        )
        vehicle = Vehicle(**{name: values[name] for name in DEVICE_KEYS["vehicle"]})
        return {limit.name: limit for limit in limits_for(Machine(pack=pack, vehicle=vehicle))}

    less, more = limits(stated | {key: None}), limits(stated | {key: data.draw(drawn[key])})
    for name in ("pack-voltage-low", "cell-voltage-low"):
        assert _first(more[name]) >= _first(less[name]) - 0.001
    for name in ("pack-voltage-high", "cell-voltage-high"):
        assert _first(more[name]) <= _first(less[name]) + 0.001


class TestCutOffsOfOneCell:
    def test_the_bms_cut_off_is_the_trip(self) -> None:
        limits = limits_of(LFP + "cell_low_cutoff_v = 2.7\ncell_high_cutoff_v = 3.65\n")
        low, high = limits["cell-voltage-low"], limits["cell-voltage-high"]
        assert (low.warn, low.trip) == (pytest.approx(2.835), 2.7)
        assert (high.warn, high.trip) == (3.62, 3.65)
        assert "[pack] cell_high_cutoff_v" in high.origin

    def test_a_low_cut_off_leaves_the_warning_where_it_was(self) -> None:
        low = limits_of(LFP + "cell_low_cutoff_v = 2.2\n")["cell-voltage-low"]
        assert (low.warn, low.trip) == (2.8, 2.2)

    @pytest.mark.parametrize("chemistry", CHEMISTRIES)
    def test_no_ordinary_charge_ends_in_a_trip(self, chemistry: str) -> None:
        # What fit calls an ordinary charge: up to charge_most_v a cell, held to 1 %, no cell 40 mV above the mean.
        cell = CHEMISTRIES[chemistry]
        limits = limits_of(LFP.replace("lfp", chemistry))
        highest, pack = limits["cell-voltage-high"].trip, limits["pack-voltage-high"].trip
        assert highest is not None
        assert pack is not None
        assert highest > cell.charge_most_v + 0.04
        assert pack > 1.01 * 16 * cell.charge_most_v

    def test_cut_offs_of_a_cell_that_is_no_such_cell_are_a_problem(self) -> None:
        for wrong in ("cell_low_cutoff_v = 3.4", "cell_high_cutoff_v = 3.0", "cell_maximum_v = 3.1"):
            machine, problems = parse_machine(LFP + wrong + "\n", "m.toml")
            assert machine is None
            assert "voltage of one cell" in str(problems[0])


class TestTheOwnersCell:
    def test_the_makers_sheet_replaces_the_table(self) -> None:
        text = LFP.replace("lfp", "sodium-ion") + (
            "cell_minimum_v = 1.5\ncell_nominal_v = 3.1\ncell_charge_v = 4.05\ncell_maximum_v = 4.1\n"
            "cell_charge_minimum_c = -20\ncell_charge_maximum_c = 50\n"
        )
        limits = limits_of(text)
        assert limits["cell-voltage-low"].trip == 1.5
        assert limits["cell-voltage-high"].warn == pytest.approx(4.07)
        assert limits["pack-voltage-low"].trip == pytest.approx(24.0)
        assert "below -20 °C" in limits["charging-cold"].origin
        assert "above 50 °C" in limits["charging-hot"].origin
        assert "your figures in [pack]" in limits["cell-voltage-low"].origin
        assert machine_of(text).pack.nominal_v == pytest.approx(49.6)


class TestChargingCool:
    def test_the_derated_current(self) -> None:
        cool = limits_of(LFP)["charging-cool"]
        assert (cool.signal, cool.warn, cool.trip) == ("cool_charge_current", 20.0, None)
        assert limits_of(LFP + "continuous_charge_a = 15\n")["charging-cool"].warn == 15.0

    @pytest.mark.parametrize("chemistry", ["lto", "lead-agm"])
    def test_cells_that_need_none_say_so(self, chemistry: str) -> None:
        assert "full charge current" in unjudged(machine_of(LFP.replace("lfp", chemistry)))["charging-cool"]


_VOLTS = st.none() | st.floats(0.5, 600)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_warning_always_comes_before_its_trip(data: st.DataObject) -> None:
    amperes = st.none() | st.floats(0.05, 5000)
    pack = Pack(
        chemistry=data.draw(st.sampled_from(sorted(CHEMISTRIES))),
        cells_in_series=data.draw(st.integers(1, 120)),
        capacity_ah=100.0,
        low_cutoff_v=data.draw(_VOLTS),
        high_cutoff_v=data.draw(_VOLTS),
        continuous_discharge_a=data.draw(amperes),
        peak_discharge_a=data.draw(amperes),
        peak_discharge_s=data.draw(st.none() | st.floats(0.01, 600)),
        continuous_charge_a=data.draw(amperes),
    )
    vehicle = Vehicle(
        minimum_voltage_v=data.draw(_VOLTS), maximum_voltage_v=data.draw(_VOLTS), foldback_voltage_v=data.draw(_VOLTS)
    )
    machine = Machine(pack=pack, vehicle=vehicle)
    limits = limits_for(machine)
    assert {limit.name for limit in limits} | set(unjudged(machine)) == set(LIMIT_NAMES)
    for limit in limits:
        assert limit.origin.isprintable()
        assert len(limit.origin) < 300
        if limit.name in CONDITION_NAMES:
            continue
        bounds = [bound for bound in (limit.warn, limit.trip) if bound is not None]
        assert bounds
        assert all(math.isfinite(bound) for bound in bounds)
        assert bounds == sorted(bounds, reverse=limit.side == "low")
        assert limit.clear_margin > 0
        assert find_signal(limit.signal.replace("*", "1")) is not None


def test_a_weak_cell_is_warned_of_by_its_voltage_and_a_sound_pack_is_not() -> None:
    lowest = {cause: faulty_drive(cause, 5).columns["cell_min_voltage"] for cause in ("healthy", "pack-weak")}
    low = limits_of(LFP)["cell-voltage-low"]
    assert low.warn is not None
    assert np.nanmin(lowest["healthy"]) >= low.warn
    assert np.nanmin(lowest["pack-weak"]) < low.warn


class TestDocumentation:
    text = (ROOT / "docs" / "limits.md").read_text(encoding="utf-8")

    def test_every_limit_is_described(self) -> None:
        assert all(f"`{name}`" in self.text for name in LIMIT_NAMES)
