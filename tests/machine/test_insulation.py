"""Insulation resistance against computed circuits, and against the other formula that is in force for it."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from telemetry.machine.first_power_insulation import POLES, fmt_ohm
from telemetry.machine.first_power_steps import STEPS
from telemetry.machine.insulation import (
    METER_SHARE,
    METER_V,
    RESISTOR_SHARE,
    highest_reading,
    insulation_resistance,
    resistor_range,
    resistor_watts,
    rose,
)
from telemetry.machine.machine_file import parse_machine

BY_NAME = {step.name: step for step in STEPS}
PACKS = st.sampled_from([16, 22, 24, 36])
LEAKS = st.floats(3.0, 9.0).map(lambda exponent: 10.0**exponent)
METERS = st.sampled_from([1e6, 1e7, 1e9])


def circuit(pack_v, leak_ohm, meter_ohm, pole, resistor_ohm=math.inf, resistor_pole=0):
    """The voltage that a meter shows from the frame to ``pole``, by Kirchhoff's current law at the frame, V.

    ``leak_ohm`` holds the leakage resistances of the positive and the negative pole.
    """
    siemens = [1 / each for each in leak_ohm]
    siemens[resistor_pole] += 1 / resistor_ohm
    siemens[pole] += 1 / meter_ohm
    return pack_v * siemens[1 - pole] / sum(siemens)


def machine(cells=16, motor="dc"):
    pack = f'[pack]\nchemistry = "lfp"\ncells_in_series = {cells}\ncapacity_ah = 100\n'
    text = f'{pack}[machine]\nmotor_type = "{motor}"\n'
    found, problems = parse_machine(text, "test")
    assert problems == []
    return found


@given(PACKS, LEAKS, LEAKS, METERS, st.floats(0.0, 1.0))
@settings(max_examples=200)
def test_the_formula_gives_the_worse_leak_of_a_computed_circuit_whatever_the_meter(cells, plus, minus, meter, place):
    pack_v = 3.3 * cells
    low, high = resistor_range(pack_v)
    resistor = low + place * (high - low)
    readings = [circuit(pack_v, (plus, minus), meter, pole) for pole in (0, 1)]
    pole = int(readings[1] > readings[0])
    after = circuit(pack_v, (plus, minus), meter, pole, resistor, pole)
    found = insulation_resistance(pack_v, readings[pole], after, resistor)
    assert found.ohm == pytest.approx((plus, minus)[1 - pole], rel=1e-5)
    assert (plus, minus)[1 - pole] <= min(plus, minus) * (1 + 1e-9)
    assert found.least_ohm <= found.ohm


@given(PACKS, LEAKS, LEAKS, METERS, st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=3))
@settings(max_examples=200)
def test_the_lower_bound_holds_with_the_errors_of_meter_and_resistor(cells, plus, minus, meter, errors):
    pack_v = 3.3 * cells
    pole = int(circuit(pack_v, (plus, minus), meter, 1) > circuit(pack_v, (plus, minus), meter, 0))
    resistor = resistor_range(pack_v)[1]
    true = [circuit(pack_v, (plus, minus), meter, pole, ohm, pole) for ohm in (math.inf, resistor)]
    read = [volts + error * (METER_SHARE * volts + METER_V) for volts, error in zip(true, errors, strict=False)]
    assume(read[0] > 2 * METER_V and not rose(*read))
    stated = resistor * (1 + errors[2] * RESISTOR_SHARE)
    found = insulation_resistance(pack_v, read[0], max(read[1], 0.0), stated)
    assert found.least_ohm <= (plus, minus)[1 - pole] * 1.02


@given(PACKS, LEAKS, LEAKS, METERS)
@settings(max_examples=100)
def test_the_reading_rises_with_the_resistor_on_the_wrong_pole(cells, plus, minus, meter):
    pack_v, leaks = 3.3 * cells, (plus, minus)
    before = [circuit(pack_v, leaks, meter, pole) for pole in (0, 1)]
    pole = int(before[1] > before[0])
    resistor = resistor_range(pack_v)[0]
    after = circuit(pack_v, leaks, meter, pole, resistor, 1 - pole)
    assert after >= before[pole] * (1 - 1e-9)
    if rose(before[pole], after):
        with pytest.raises(ValueError, match="other pole"):
            insulation_resistance(pack_v, before[pole], after, resistor)


@given(PACKS, st.floats(0.05, 0.8), st.floats(2.0, 1e4))
@settings(max_examples=100)
def test_on_the_wrong_pole_a_bad_machine_would_pass_and_the_list_refuses_it(cells, share, ratio):
    """The pole with the lower reading measures the better leak: a false all-clear, so it is refused."""
    of, pack_v = machine(cells), 3.3 * cells
    bad = share * 100 * pack_v
    good = max(ratio * bad, 250 * pack_v)
    leaks, resistor = (bad, good), resistor_range(pack_v)[1]
    readings = {
        "rested-voltage": pack_v,
        "insulation-resistor": resistor,
        "frame-to-positive": circuit(pack_v, leaks, 1e7, 0),
        "frame-to-negative": circuit(pack_v, leaks, 1e7, 1),
    }
    wrong = circuit(pack_v, leaks, 1e7, 0, resistor, 0)
    assert resistor * (pack_v / wrong - pack_v / readings["frame-to-positive"]) > 100 * pack_v
    refused = BY_NAME["insulation-pole"].judged(of, readings, 0.0)
    assert refused.verdict == "again"
    assert "false all-clear" in refused.means
    leak = BY_NAME["insulation-voltage"]
    assert leak.judged(of, readings | {"insulation-pole": 0.0}, wrong).verdict == "again"
    right = circuit(pack_v, leaks, 1e7, 1, resistor, 1)
    assert leak.judged(of, readings | {"insulation-pole": 1.0}, right).verdict == "stop"


@given(PACKS, LEAKS, LEAKS)
@settings(max_examples=60)
def test_it_agrees_with_the_formula_of_another_regulation(cells, plus, minus):
    """FMVSS No. 305 (49 CFR 571.305, S7.6.6; from memory): Ri = R0 (1 + V2/V1) ((V1 - V1')/V1').

    Both are one formula where V1 + V2 = Vb, so with a meter that draws nothing.
    """
    pack_v, meter = 3.3 * cells, 1e15
    readings = [circuit(pack_v, (plus, minus), meter, pole) for pole in (0, 1)]
    pole = int(readings[1] > readings[0])
    before, other = readings[pole], readings[1 - pole]
    resistor = resistor_range(pack_v)[0]
    after = circuit(pack_v, (plus, minus), meter, pole, resistor, pole)
    theirs = resistor * (1 + other / before) * (before - after) / after
    assert insulation_resistance(pack_v, before, after, resistor).ohm == pytest.approx(theirs, rel=1e-5)


def test_by_hand():
    """Kirchhoff's law on paper: 100 V, 10 kohm from the positive pole to the frame, nothing else, no meter current.

    V1 is 100 V at the negative pole; 10 kohm from there to the frame halves it: Ri = 10 kohm (2 - 1).
    """
    assert insulation_resistance(100.0, 100.0, 50.0, 10_000.0).ohm == pytest.approx(10_000.0)
    assert resistor_watts(100.0, 10_000.0) == pytest.approx(1.0)
    assert math.isinf(insulation_resistance(100.0, 20.0, 0.0, 10_000.0).ohm)
    assert insulation_resistance(100.0, 100.0, 100.2, 10_000.0).ohm == 0.0


@given(st.floats(5.0, 130.0), st.floats(0.0, 1.0), st.sampled_from([100.0, 500.0]))
def test_the_highest_reading_that_is_called_good_is_just_good(before, place, wanted):
    pack_v = 132.0
    low, high = resistor_range(pack_v)
    resistor = low + place * (high - low)
    most = highest_reading(before, resistor, wanted)
    assume(most > 0)
    found = insulation_resistance(pack_v, before, most, resistor)
    assert found.least_ohm == pytest.approx(wanted * pack_v, rel=1e-6)


@pytest.mark.parametrize("run", ["", "-connected"])
@pytest.mark.parametrize("motor", ["dc", "ac"])
@pytest.mark.parametrize("cells", [15, 22])
@pytest.mark.parametrize("worse", [0, 1])
@pytest.mark.parametrize("ohm_per_v", [50.0, 200.0, 1000.0])
def test_each_pack_and_motor_is_held_to_its_own_bound(run, motor, cells, worse, ohm_per_v):
    """UN Regulation No. 100, 5.1.3: 100 ohm/V for DC, 500 ohm/V where DC and AC are connected (a copy was read)."""
    of, pack_v = machine(cells, motor), 3.3 * cells
    leaks = [1e8, 1e8]
    leaks[worse] = ohm_per_v * pack_v
    pole, resistor = 1 - worse, resistor_range(pack_v)[1]
    readings = {"rested-voltage": pack_v, "ac-controller": float(motor == "ac"), "insulation-resistor": resistor}
    readings |= {f"frame-to-{POLES[each]}{run}": round(circuit(pack_v, leaks, 1e7, each), 1) for each in (0, 1)}
    readings[f"insulation-pole{run}"] = float(pole)
    after = round(circuit(pack_v, leaks, 1e7, pole, resistor, pole), 1)
    found = BY_NAME[f"insulation-voltage{run}"].judged(of, readings, after)
    wanted = 500.0 if run and motor == "ac" else 100.0
    assert found.verdict == ("ok" if ohm_per_v > wanted else "stop"), found
    assert f"{wanted:.0f} ohm/V" in found.means


def test_an_unknown_motor_is_held_to_the_ac_bound():
    pack_v, readings = 52.8, {"rested-voltage": 52.8, "insulation-resistor": 25_000.0}
    readings |= {"frame-to-positive-connected": 0.1, "frame-to-negative-connected": 52.5}
    readings |= {"insulation-pole-connected": 1.0, "ac-controller": math.nan}
    after = circuit(pack_v, (200 * pack_v, 1e9), 1e7, 1, 25_000.0, 1)
    assert BY_NAME["insulation-voltage-connected"].judged(machine(), readings, after).verdict == "stop"


@pytest.mark.parametrize(
    ("ohm", "text"), [(31_200, "31 kohm"), (5_120, "5.1 kohm"), (2.4e6, "2.4 Mohm"), (470, "470 ohm")]
)
def test_resistances_as_people_say_them(ohm, text):
    assert fmt_ohm(ohm) == text
