"""SunSpec battery models, held against the SunSpec Alliance's own decoder, pysunspec2, and its model files."""

from __future__ import annotations

import math
import struct

import pytest
import sunspec2.device
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decode import sunspec
from drivers.decode.sunspec import LAYOUTS, MISSING, Model, decoded, not_read, signals_of
from drivers.simulated.modbus_peer import encoded

REPEATED = {803: "string", 804: "lithium_ion_string_module"}
COUNTS = {803: "NStr", 804: "NMod"}


def theirs(number, registers):
    data = struct.pack(f">{len(registers)}H", *registers)
    return sunspec2.device.Model(number, model_len=len(registers) - 2, data=data)


def same(ours, model_points):
    for name, value in ours.items():
        other = model_points[name].cvalue
        if math.isnan(value):
            assert other is None, name
        else:
            assert value == pytest.approx(other, rel=1e-9, abs=1e-12), name


def test_the_published_example_of_model_802():
    # Source: check of pysunspec2 1.3.7 on these registers, Model(802); values below are its output.
    words = [MISSING["u16"]] * 64
    words[0:2] = 802, 62
    place = {point.name: point.place for point in LAYOUTS[802].fixed}
    for name, raw in {"V": 0x141B, "A": 0xFEA1, "SoC": 803, "CellVMax": 3231, "W": 0x10000 - 1807}.items():
        words[place[name]] = raw
    words[place["Evt1"] : place["Evt1"] + 2] = 0x0000, 0x1010
    for name, factor in {"V_SF": -2, "A_SF": -1, "SoC_SF": -1, "CellV_SF": -3, "W_SF": 0}.items():
        words[place[name]] = factor & 0xFFFF
    values = decoded(Model(802, 40070, 62), words).fixed
    assert (values["V"], values["A"], values["SoC"], values["CellVMax"]) == (51.47, -35.1, 80.3, 3.231)
    assert values["W"] == -1807
    assert int(values["Evt1"]) == 1 << 4 | 1 << 12  # under-temperature warning, under-voltage warning
    assert math.isnan(values["DisChaRte"])
    for name in ("V", "A", "SoC", "CellVMax", "W", "Evt1", "DisChaRte"):
        same({name: values[name]}, theirs(802, words).points)


@pytest.mark.parametrize(("number", "place"), [(802, 64), (803, 28), (804, 48)])
def test_the_layouts_are_as_long_as_the_published_models(number, place):
    assert LAYOUTS[number].fixed_width == place
    assert LAYOUTS[number].repeated_width == {802: 0, 803: 32, 804: 16}[number]


@settings(max_examples=40)
@given(st.sampled_from([802, 803, 804]), st.integers(0, 3), st.randoms(use_true_random=False))
def test_any_registers_are_read_as_pysunspec2_reads_them(number, repeats, random):
    layout = LAYOUTS[number]
    repeats = repeats if number in REPEATED else 0
    words = [random.choice((random.randrange(65536), 0xFFFF, 0x8000, 0)) for _ in range(layout.fixed_width)]
    words += [random.randrange(65536) for _ in range(repeats * layout.repeated_width)]
    words[0:2] = number, len(words) - 2
    for point in layout.fixed:
        if point.type == "sf":
            words[point.place] = random.choice((0x8000, *(factor & 0xFFFF for factor in range(-10, 11))))
        if point.name == COUNTS.get(number):
            words[point.place] = repeats
    ours, other = decoded(Model(number, 0, len(words) - 2), words), theirs(number, words)
    assert {point.name for point in layout.fixed} | {"Pad1", "Pad2", "Pad3", "Pad4"} >= set(other.points)
    same({name: value for name, value in ours.fixed.items() if name not in ("ID", "L")}, other.points)
    assert len(ours.repeated) == repeats
    for place, values in enumerate(ours.repeated):
        same(values, other.groups[REPEATED[number]][place].points)


@settings(max_examples=60)
@given(st.floats(0, 600), st.floats(-3000, 3000), st.floats(0, 100), st.floats(0.2, 6), st.floats(-40, 150))
def test_what_is_encoded_comes_back_within_half_a_step(voltage, current, soc, cell, warmth):
    battery = encoded(802, {"V": voltage, "A": current, "SoC": soc, "CellVMin": cell})
    bank = encoded(803, {"NStr": 1, "NStrCon": 1, "ModTmpMax": warmth}, [{"StrA": current}])
    found = signals_of([decoded(Model(802, 0, 62), battery), decoded(Model(803, 64, 58), bank)])
    assert found["pack_voltage"] == pytest.approx(voltage, abs=0.005001)
    assert found["pack_current"] == pytest.approx(current, abs=0.05001)
    assert found["soc_reported"] == pytest.approx(soc, abs=0.05001)
    assert found["cell_min_voltage"] == pytest.approx(cell, abs=0.0005001)
    assert found["pack_temperature_1"] == pytest.approx(warmth, abs=0.05001)
    assert found["extra_string_1_current"] == pytest.approx(current, abs=0.05001)
    assert math.isnan(found["cell_max_voltage"])


def test_a_scale_factor_out_of_its_range_leaves_the_value_unknown():
    words = encoded(802, {"V": 50.0})
    place = {point.name: point.place for point in LAYOUTS[802].fixed}
    words[place["V_SF"]] = 11
    assert math.isnan(decoded(Model(802, 0, 62), words).fixed["V"])


def string(**values):
    return decoded(Model(804, 0, 46), encoded(804, values))


def test_strings_without_a_battery_model_make_the_pack_together():
    found = signals_of(
        [
            string(A=10.0, V=51.0, CellVMin=3.1, CellVMax=3.3, ModTmpMax=30.0, ModTmpMin=20.0),
            string(A=12.5, V=51.2, CellVMin=3.2, CellVMax=3.4, ModTmpMax=28.0, ModTmpMin=18.0),
        ]
    )
    assert found["pack_current"] == 22.5
    assert (found["cell_min_voltage"], found["cell_max_voltage"]) == (3.1, 3.4)
    assert (found["pack_temperature_1"], found["pack_temperature_2"]) == (30.0, 18.0)
    assert "pack_voltage" not in found, "two strings, of which one may be switched off"
    assert found["extra_string_2_voltage"] == 51.2
    assert signals_of([string(V=51.0)])["pack_voltage"] == 51.0


def test_the_charge_of_strings_is_their_mean_where_each_says_it():
    assert signals_of([string(SoC=80.0), string(SoC=70.0)])["soc_reported"] == 75.0
    assert math.isnan(signals_of([string(SoC=80.0), string(A=1.0)])["soc_reported"])
    bank = decoded(Model(803, 0, 26 + 64), encoded(803, {"NStr": 2}, [{"StrSoC": 60.0}, {"StrSoC": 64.0}]))
    assert signals_of([bank])["soc_reported"] == 62.0
    battery = decoded(Model(802, 0, 62), encoded(802, {"SoC": 61.0}))
    assert signals_of([battery, bank])["soc_reported"] == 61.0


def test_of_several_batteries_in_one_device_the_first_is_the_pack():
    batteries = [decoded(Model(802, 0, 62), encoded(802, {"V": volts})) for volts in (51.0, 26.0)]
    banks = [decoded(Model(803, 0, 58), encoded(803, {"NStr": 1}, [{"StrA": amps}])) for amps in (5.0, 7.0)]
    found = signals_of([*batteries, *banks])
    assert (found["pack_voltage"], found["extra_battery_2_pack_voltage"]) == (51.0, 26.0)
    assert found["pack_current"] == 5.0
    assert (found["extra_string_1_current"], found["extra_string_2_current"]) == (5.0, 7.0)


def test_a_string_that_does_not_say_its_lowest_cell_leaves_the_packs_unknown():
    found = signals_of([string(CellVMin=3.1), string(A=1.0)])
    assert math.isnan(found["cell_min_voltage"])


def test_the_signals_are_the_same_whether_or_not_a_model_could_be_read():
    models = [Model(802, 0, 62), Model(803, 64, 26 + 64), Model(804, 200, 46 + 32)]
    whole = [
        decoded(models[0], encoded(802, {"V": 50.0})),
        decoded(models[1], encoded(803, {"NStr": 2}, [{}, {}])),
        decoded(models[2], encoded(804, {"NMod": 2}, [{}, {"ModCellVMin": 3.1}])),
    ]
    assert list(signals_of(whole)) == list(signals_of([not_read(model) for model in models]))
    assert signals_of(whole)["extra_string_1_module_2_cell_min_voltage"] == 3.1


def test_the_parts_of_a_model_are_whole_and_none_is_longer_than_one_read():
    assert Model(803, 100, 26 + 64).parts() == [(100, 28), (128, 32), (160, 32)]
    assert Model(804, 100, 46 + 16).parts() == [(100, 48), (148, 16)]
    assert not Model(802, 100, 40).is_whole
    assert not Model(103, 100, 50).is_whole
    assert max(layout.fixed_width for layout in sunspec.LAYOUTS.values()) <= 125
