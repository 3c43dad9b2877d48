"""What the first-power list expects from a machine file, and what it makes of readings."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.first_power import read_answer
from telemetry.machine.first_power_insulation import CONNECTED
from telemetry.machine.first_power_pack import REST_V, cell_rest_v, fitting_counts, rest_range
from telemetry.machine.first_power_steps import STEPS, stated_answers
from telemetry.machine.first_power_switch import MAIN_SWITCHES, precharge_s
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.pack_keys import Pack
from telemetry.model.keys import BadValue

BY_NAME = {step.name: step for step in STEPS}


def machine(cells=16, chemistry="lfp", more=""):
    text = f'[pack]\nchemistry = "{chemistry}"\ncells_in_series = {cells}\ncapacity_ah = 100\n{more}'
    found, problems = parse_machine(text, "test")
    assert problems == []
    return found


WHOLE = machine(
    more="[machine]\nprecharge_ohm = 100\ncontroller_capacitance_uf = 4700\nmaximum_voltage_v = 63\n"
    "standby_current_a = 0.02\n[charger]\noutput_voltage_v = 57.6\n"
)


def verdict(name, reading, of=WHOLE, **before):
    return BY_NAME[name].judged(of, {key.replace("_", "-"): value for key, value in before.items()}, reading)


@pytest.mark.parametrize(("volts", "counts"), [(53.0, (16,)), (50.0, (15,)), (13.2, (4,)), (26.6, (8,))])
def test_the_count_that_fits_a_rested_iron_phosphate_pack(volts, counts):
    """53 V is sixteen iron phosphate cells, 50 V fifteen; common practice."""
    assert fitting_counts(REST_V["lfp"], volts) == counts


def test_a_pack_of_another_count_stops_the_list_and_the_fitting_count_is_proposed():
    assert verdict("rested-voltage", 53.0).verdict == "ok"
    wrong = verdict("rested-voltage", 50.0)
    assert wrong.verdict == "stop"
    assert "15 LFP cells, not 16" in wrong.means
    assert "Or the pack is nearly empty" in wrong.means
    assert verdict("rested-voltage", 53.0, machine(15)).verdict == "stop"
    assert "16 LFP cells, not 15" in verdict("rested-voltage", 53.0, machine(15)).means


@pytest.mark.parametrize(
    ("volts", "found", "says"),
    [(12.4, "caution", "3.10 V a cell: the pack is nearly empty"), (5.0, "stop", "no LFP cell rests there")],
)
def test_four_cells_that_no_other_count_explains_are_nearly_empty_or_no_such_cells(volts, found, says):
    judged = verdict("rested-voltage", volts, machine(4))
    assert (judged.verdict, says in judged.means) == (found, True), judged


@given(st.integers(1, 40), st.sampled_from(sorted(REST_V)), st.floats(0.0, 1.0))
@settings(max_examples=60)
def test_a_pack_within_its_own_range_is_never_refused(cells, chemistry, share):
    low, high = REST_V[chemistry]
    volts = cells * (low + share * (high - low))
    assert cells in fitting_counts(REST_V[chemistry], volts)
    assert verdict("rested-voltage", volts, machine(cells, chemistry)).verdict == "ok"


def test_rest_ranges_lie_within_what_the_cells_stand():
    for chemistry in REST_V:
        pack = machine(10, chemistry)
        expected = rest_range(pack)
        assert 10 * pack.pack.cell.minimum_v < expected.low < expected.high <= 10 * pack.pack.cell.maximum_v


@pytest.mark.parametrize(
    ("chemistry", "points"),
    [
        # Breakpoints of a 1.2 Ah iron phosphate cell at C/32, published with a paper in IEEE Transactions on
        # Instrumentation and Measurement, 2025: state of charge and volts.
        ("lfp", ((0.10, 3.1974), (0.2972, 3.2772), (0.9833, 3.3511))),
        # Chen et al. 2020, nickel manganese cobalt, as PyBaMM 26.10 computes it.
        ("nmc", ((0.1, 3.296), (0.5, 3.751), (1.0, 4.200))),
        # Battery Council International's table for a flooded 12 V block: half charged and full; from memory.
        ("lead-flooded", ((0.50, 12.24 / 6), (1.0, 12.65 / 6))),
    ],
)
def test_rest_ranges_hold_published_curves(chemistry, points):
    low, high = REST_V[chemistry]
    for _, volts in points:
        assert low - 0.005 <= volts <= high


def test_the_precharge_takes_five_time_constants():
    """5 R C of 100 ohm and 4700 uF is 2.35 s; exp(-5) = 0.67 % is left then (plain circuit theory)."""
    assert precharge_s(WHOLE) == pytest.approx(2.35)
    assert precharge_s(machine()) is None
    assert "Wait 2.4 s" in BY_NAME["controller-polarity"].what(WHOLE, {})
    expected = BY_NAME["precharge"].expect(WHOLE, {"rested-voltage": 53.0})
    assert 53.0 * math.exp(-5) + 0.02 * 100 < expected.high == pytest.approx(0.02 * 53.0 + 2.0, abs=0.06)
    assert BY_NAME["precharge"].expect(machine(), {}) is None


@pytest.mark.parametrize(
    ("name", "reading", "found"),
    [
        ("main-switch", 1.0, "ok"),
        ("frame-return", 0.0, "ok"),
        ("ac-controller", 1.0, "ok"),
        ("second-person", 1.0, "ok"),
        ("second-person", 0.0, "stop"),
        ("lug-torque", 1.0, "ok"),
        ("lug-torque", 0.0, "stop"),
        ("tapped-loads", 0.0, "ok"),
        ("tapped-loads", 1.0, "stop"),
        ("controller-lugs", 1.0, "ok"),
        ("controller-lugs", 0.0, "stop"),
        ("polarity", 53.0, "ok"),
        ("polarity", -53.0, "stop"),
        ("polarity", 3.0, "stop"),
        ("polarity", 531.0, "again"),
        ("rested-voltage", -53.0, "again"),
        ("frame-to-positive", 0.3, "ok"),
        ("frame-to-positive", 12.0, "ok"),
        ("frame-to-negative", 52.5, "caution"),
        ("frame-to-negative", -52.5, "again"),
        ("frame-to-positive", 60.0, "again"),
        ("insulation-resistor", 10_000.0, "ok"),
        ("insulation-resistor", 10.0, "again"),
        ("insulation-resistor", 1e6, "again"),
        ("controller-polarity", 52.0, "ok"),
        ("controller-polarity", -1.4, "stop"),
        ("controller-polarity", 0.0, "stop"),
        ("precharge", 0.4, "ok"),
        ("precharge", 52.5, "stop"),
        ("precharge", 20.0, "stop"),
        ("precharge", -20.0, "again"),
        ("controller-voltage", 52.9, "ok"),
        ("controller-voltage", 44.0, "stop"),
        ("controller-voltage", 64.0, "stop"),
        ("controller-voltage", 54.5, "caution"),
        ("controller-voltage", -52.9, "stop"),
        ("emergency-stop", 1.0, "ok"),
        ("emergency-stop", 0.0, "stop"),
        ("interlocks", 1.0, "ok"),
        ("interlocks", 0.0, "stop"),
        ("direction", 1.0, "ok"),
        ("direction", 0.0, "stop"),
        ("key-off", 2.0, "ok"),
        ("key-off", 30.0, "caution"),
        ("key-off", 52.8, "stop"),
        ("standby-current", 0.02, "ok"),
        ("standby-current", -0.02, "ok"),
        ("standby-current", 0.4, "caution"),
        ("standby-current", 80.0, "again"),
        ("charger-polarity", 53.0, "ok"),
        ("charger-polarity", -53.0, "stop"),
        ("charger-polarity", 0.0, "caution"),
        ("charger-polarity", 26.0, "stop"),
        ("first-charge", 57.5, "ok"),
        ("first-charge", 55.0, "caution"),
        ("first-charge", 58.2, "caution"),
        ("first-charge", 59.0, "stop"),
        ("retorque", 1.0, "ok"),
        ("retorque", 0.0, "caution"),
    ],
)
def test_what_a_reading_means(name, reading, found):
    judged = verdict(name, reading, rested_voltage=53.0)
    assert judged.verdict == found
    assert judged.means
    assert bool(judged.next) or found == "ok" or name == "controller-voltage"


def test_a_negative_reading_says_that_leads_are_reversed():
    for step in STEPS:
        if step.unit == "V":
            found = step.judged(WHOLE, {"rested-voltage": 53.0}, -52.0)
            assert found.verdict in ("stop", "again"), step.name
            assert found.means.startswith("Leads reversed"), step.name


def test_what_comes_before_power_comes_before_it():
    order = [step.name for step in STEPS]
    before = ["main-switch", "second-person", "lug-torque", "controller-lugs", "polarity", "rested-voltage"]
    before += ["insulation-voltage", "controller-polarity", "precharge", "controller-voltage"]
    before += [f"insulation-voltage{CONNECTED}", "emergency-stop", "interlocks", "direction", "key-off"]
    before += ["standby-current", "charger-polarity", "first-charge", "retorque"]
    assert sorted(before, key=order.index) == before
    assert len(set(order)) == len(order)


@pytest.mark.parametrize("place", range(len(MAIN_SWITCHES)))
def test_each_main_switch_has_its_own_pre_charge_and_its_own_standby_current(place):
    texts = {name: BY_NAME[name].what(WHOLE, {"main-switch": float(place)}) for name in BY_NAME}
    is_contactor = MAIN_SWITCHES[place] == "contactor"
    assert ("coil" in texts["controller-polarity"]) == is_contactor
    assert ("in series with one cable" in texts["standby-current"]) == is_contactor
    assert "clamp meter" in texts["standby-current"]
    others = [BY_NAME["controller-polarity"].what(WHOLE, {"main-switch": float(each)}) for each in range(3)]
    assert len(set(others)) == 3
    unknown = BY_NAME["controller-polarity"].what(WHOLE, {})
    assert all(word in unknown for word in ("Contactor", "Key switch", "by hand"))


def test_what_the_machine_file_states_is_not_asked():
    of = machine(more='[machine]\nmain_switch = "hand"\nmotor_type = "ac"\nframe_is_return = true\n')
    assert stated_answers(of) == {"main-switch": 2.0, "ac-controller": 1.0, "frame-return": 1.0}
    assert "by hand" not in BY_NAME["key-off"].what(of, stated_answers(of))
    assert stated_answers(machine()) == {}


def test_on_a_machine_whose_frame_is_the_return_insulation_does_not_apply():
    steps = [step for step in STEPS if step.name.startswith(("frame-to", "insulation"))]
    assert len(steps) == 10
    assert all("return" in step.why_not(WHOLE, {"frame-return": 1.0}) for step in steps)
    assert not any(step.why_not(WHOLE, {"frame-return": 0.0}) for step in steps)


def test_the_resistor_is_needed_where_a_voltage_to_the_frame_shows_and_only_there():
    free = {"rested-voltage": 53.0, "frame-to-positive": 0.2, "frame-to-negative": 0.3}
    needed = [step for step in STEPS if step.name in ("insulation-resistor", "insulation-pole", "insulation-voltage")]
    assert all("no leak" in step.why_not(WHOLE, free) for step in needed)
    assert not any(step.why_not(WHOLE, free | {"frame-to-negative": 8.0}) for step in needed)
    assert all("not measured" in step.why_not(WHOLE, free | {"frame-to-negative": math.nan}) for step in needed)
    again = BY_NAME[f"insulation-resistor{CONNECTED}"]
    leaks = {f"frame-to-positive{CONNECTED}": 20.0, f"frame-to-negative{CONNECTED}": 8.0}
    assert not again.why_not(WHOLE, free | leaks)
    assert "known" in again.why_not(WHOLE, free | leaks | {"insulation-resistor": 10_000.0})


def test_without_the_rested_voltage_a_fully_charged_pack_is_not_refused():
    assert verdict("frame-to-negative", 54.3, rested_voltage=math.nan).verdict == "caution"


def test_a_stray_voltage_alone_is_called_no_fault():
    assert "no fault" in verdict("frame-to-positive", 20.0, rested_voltage=53.0).means
    assert "no fault" in verdict("frame-to-positive", 52.8, rested_voltage=53.0).means
    both = verdict("frame-to-negative", 40.0, rested_voltage=53.0, frame_to_positive=30.0)
    assert both.verdict == "again"
    assert "add up" in both.means


@pytest.mark.parametrize(("cells", "withheld"), [(15, False), (16, False), (22, False), (32, False), (40, True)])
def test_above_120_volts_live_steps_are_licensed_work(cells, withheld):
    of = machine(cells)
    live = [step.name for step in STEPS if step.is_withheld(of)]
    assert bool(live) is withheld
    if withheld:
        assert {step.name for step in STEPS if step.unit} <= set(live)
        assert {"emergency-stop", "interlocks", "direction"} <= set(live)
        assert not {"second-person", "lug-torque", "controller-lugs", "retorque"} & set(live)


def test_standby_is_told_in_days():
    """100 Ah at 0.4 A last 250 h, 10 days."""
    assert "in 10 days" in verdict("standby-current", 0.4).means


def test_a_reading_within_what_is_expected_is_ok_and_the_examples_of_wrong_ones_never():
    for of in (WHOLE, machine(), machine(20, "nmc"), machine(24, "lead-flooded")):
        volts = rest_range(of).high
        before = {"rested-voltage": volts, "insulation-resistor": 200.0 * volts}
        for run in ("", CONNECTED):
            before |= {f"frame-to-positive{run}": 0.0, f"frame-to-negative{run}": 0.8 * volts}
            before[f"insulation-pole{run}"] = 1.0
        for step in STEPS:
            expected = step.expect(of, before)
            if expected is not None:
                for reading in (expected.low, expected.high):
                    found = step.judge(of, before, reading).verdict
                    is_stray = step.name.startswith("frame-to") and reading > 0  # the whole pack shows: see to it
                    assert found == "ok" or (is_stray and found in ("caution", "again")), (step.name, reading)
            for reading in step.wrong(of):
                assert step.judged(of, before, reading).verdict != "ok", (step.name, reading)


def test_what_was_skipped_stays_unknown():
    assert verdict("polarity", math.nan).verdict == "skipped"


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("53.2", "V", 53.2),
        ("53,2", "V", 53.2),
        ("53.2 V", "V", 53.2),
        (" -53.2v ", "V", -53.2),
        ("53 volts", "V", 53.0),
        ("80 mA", "A", 0.08),
        (".5", "A", 0.5),
        ("yes", "", 1.0),
        ("N", "", 0.0),
        ("10k", "ohm", 10_000.0),
        ("4,7 kohm", "ohm", 4_700.0),
        ("8200 ohm", "ohm", 8_200.0),
    ],
)
def test_readings_as_people_type_them(typed, unit, value):
    assert read_answer(typed, unit) == pytest.approx(value)


@pytest.mark.parametrize(
    ("typed", "unit"),
    [("", "V"), ("much", "V"), ("5 A", "V"), ("5 m", "A"), ("1", ""), ("nan", "V"), ("10m", "ohm")],
)
def test_what_is_no_reading_is_refused_with_what_would_be(typed, unit):
    with pytest.raises(BadValue) as refused:
        read_answer(typed, unit)
    assert refused.value.right


def test_who_types_nothing_is_told_what_to_type():
    for unit, said in (("V", "a reading is needed to go on; type the number"), ("", "an answer is needed to go on")):
        with pytest.raises(BadValue, match=said):
            read_answer("", unit, MAIN_SWITCHES)


@pytest.mark.parametrize(("volts", "said"), [(47.0, "If there are 16, measure each cell"), (28.0, "Do not charge")])
def test_a_pack_that_is_nearly_empty_is_charged_slowly_and_one_far_below_not_at_all(volts, said):
    assert said in verdict("rested-voltage", volts).next


def test_an_answer_is_its_place_among_the_choices_and_its_beginning_is_enough():
    assert [read_answer(typed, "", MAIN_SWITCHES) for typed in ("key", "Contactor", "h")] == [0.0, 1.0, 2.0]
    for typed in ("", "lever"):
        with pytest.raises(BadValue):
            read_answer(typed, "", MAIN_SWITCHES)


def test_the_owners_cell_decides_where_it_rests() -> None:
    own = Pack(chemistry="sodium-ion", cells_in_series=16, capacity_ah=50.0, cell_minimum_v=1.5, cell_charge_v=3.6)
    assert cell_rest_v(own) == pytest.approx((2.05, 3.6))
    curve = replace(own, open_circuit=((0.0, 2.4), (20.0, 2.8), (100.0, 3.4)))
    assert cell_rest_v(curve) == pytest.approx((2.6, 3.4))
    for name in REST_V:
        assert cell_rest_v(Pack(chemistry=name, cells_in_series=16, capacity_ah=50.0)) == REST_V[name]
