"""What people type, and what it means: units, decimal commas, and the corrected line of a file that is not TOML."""

from __future__ import annotations

import tomllib
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.limit_values import (
    PLAUSIBLE,
    limit_key,
    limit_key_names,
    limit_unit,
    limits_meant,
    other_units,
)
from telemetry.machine.limits import CONDITION_NAMES, LIMIT_NAMES, limits_for
from telemetry.machine.machine_file import Machine, parse_machine
from telemetry.machine.sections import find_key
from telemetry.model.keys import BadValue, meant
from telemetry.model.kinds import read_typed
from telemetry.model.toml_text import toml_value
from telemetry.model.units import converted, key_ending, quantity, siblings

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


def parsed(addition: str) -> Machine:
    machine, problems = parse_machine(PACK + addition, "m.toml")
    assert problems == []
    assert machine is not None
    return machine


def problem_of(addition: str) -> str:
    _, problems = parse_machine(f"{PACK}{addition}\n", "m.toml")
    assert len(problems) == 1, problems
    return str(problems[0])


class TestUnits:
    # Inch and foot, pound and acre by the international agreement of 1959, as NIST Special Publication 811 lists them
    # (appendix B): 0.0254 m, 0.3048 m, 0.45359237 kg exactly; the international acre, 0.40468564224 ha, follows.
    @pytest.mark.parametrize(
        ("number", "unit", "wanted", "result"),
        [
            ("50", "mV", "V", 0.05),
            ("0.06", "kV", "V", 60.0),
            ("120", "mΩ", "Ω", 0.12),
            ("2.5", "MΩ", "Ω", 2.5e6),
            ("12", "in", "ft", 1.0),
            ("100", "lb", "kg", 45.359237),
            ("2", "h", "min", 120.0),
            ("1", "acre", "ha", 0.40468564224),
            ("5", "A", "V", None),
            ("5", "Ah", "A", None),
        ],
    )
    def test_conversions(self, number: str, unit: str, wanted: str, result: float | None) -> None:
        assert converted(Decimal(number), unit, wanted) == result

    @pytest.mark.parametrize(
        ("said", "number", "unit"),
        [
            ("230,5", "230.5", ""),
            ("52 V", "52", "V"),
            ("120mOhm", "120", "mΩ"),
            ("1 MOhm", "1", "MΩ"),
            ("35 mm2", "35", "mm²"),
            ("- 5 amps", "-5", "A"),
            ("2%", "2", "%"),
            ("45 \N{DEGREE SIGN}C", "45", "°C"),
            ("3\N{NO-BREAK SPACE}k\N{OHM SIGN}", "3", "kΩ"),
        ],
    )
    def test_quantities(self, said: str, number: str, unit: str) -> None:
        assert quantity(said) == (Decimal(number), unit)

    @pytest.mark.parametrize("said", ["", "V", "1/0", "5 V/m", "5 parsecs", "1.2.3", "5 V 6"])
    def test_what_is_no_quantity(self, said: str) -> None:
        assert quantity(said) is None

    @settings(max_examples=100, deadline=None)
    @given(st.decimals(-1000, 1000, places=3), st.sampled_from(["V", "A", "Ah", "W", "Ω", "s", "kg", "m", "min"]))
    def test_there_and_back(self, number: Decimal, unit: str) -> None:
        for other in siblings(unit):
            there = converted(number, unit, other)
            assert there is not None
            assert converted(Decimal(repr(there)), other, unit) == pytest.approx(float(number), rel=1e-9)

    @settings(max_examples=200, deadline=None)
    @given(st.text(max_size=30))
    def test_any_text_is_read_or_left(self, said: str) -> None:
        for place in (("pack", "capacity_ah"), ("wiring", "conductor_awg"), ("machine", "regenerates")):
            meant(find_key(*place), said)


class TestTypedValues:
    @pytest.mark.parametrize(
        ("section", "name", "said", "value"),
        [
            ("pack", "capacity_ah", "230,5 Ah", 230.5),
            ("pack", "capacity_ah", "“105”", 105.0),
            ("pack", "internal_resistance_mohm", "120mOhm", 120.0),
            ("pack", "internal_resistance_mohm", "0.012 ohm", 12.0),
            ("pack", "cells_in_series", "16", 16),
            ("pack", "chemistry", "LFP", "lfp"),
            ("machine", "mass_kg", "700 lb", 317.514659),
            ("machine", "regenerates", "Yes", True),
            ("wiring", "conductor_awg", "2/0 AWG", "2/0"),
            ("wiring", "insulation_c", "90 °C", 90),
            ("wiring", "one_way_length_m", "5 ft", 1.524),
        ],
    )
    def test_what_is_meant(self, section: str, name: str, said: str, value: object) -> None:
        assert read_typed(find_key(section, name), said) == value

    @pytest.mark.parametrize(
        ("name", "said", "right"),
        [
            ("capacity_ah", "5.12 kWh", "is not a number in Ah"),
            ("capacity_ah", "1,250", "write capacity_ah = 1250 or capacity_ah = 1.25"),
            ("capacity_ah", "9000 Ah", "did you mean 9 (9000 mAh)?"),
            ("cells_in_series", "16.5", "whole number"),
        ],
    )
    def test_what_is_refused(self, name: str, said: str, right: str) -> None:
        with pytest.raises(BadValue) as refused:
            read_typed(find_key("pack", name), said)
        assert right in str(refused.value)


class TestTheCorrectedLine:
    @pytest.mark.parametrize(
        ("addition", "corrected", "note"),
        [
            ("peak_discharge_a = 230,5", "peak_discharge_a = 230.5", " (a decimal point, not a comma)"),
            ("peak_discharge_a = 230 A", "peak_discharge_a = 230", ", without A"),
            ("peak_discharge_a = 230000 mA # sheet", "peak_discharge_a = 230", ", in A"),
            ("peak_discharge_a = .5", "peak_discharge_a = 0.5", ""),
            ("peak_discharge_a: 5", "peak_discharge_a = 5", ""),
            ("peak_discharge_a\t5", "peak_discharge_a = 5", ""),
            ("chemistry = LFP", 'chemistry = "lfp"', ""),
            ("name = spare pack", 'name = "spare pack"', ""),
            ("name = “spare pack”", 'name = "spare pack"', " (straight quotes)"),
            ('name = "spare pack', 'name = "spare pack"', ""),
            ("[machine]\nregenerates = yes", "regenerates = true", ""),
            ("[machine]\nregenerates = OFF", "regenerates = false", ""),
            ("[machine\nregenerates = true", "[machine]", ""),
            ("[limits soc-low]", "[limits.soc-low]", ""),
            ("[wiring]\nconductor_awg = 1/0", 'conductor_awg = "1/0"', ""),
            ("[wiring]\ninsulation_c = 90 °C", "insulation_c = 90", ", without °C"),
            ("[limits.cell-spread]\nwarn = 50 mV", "warn = 0.05", ", in V"),
            ("[limits.cell-spread]\nwarn_mv = 50 mV", "warn_mv = 50", ", without mV"),
            ('[[source]]\nmap = "C:\\maps\\u.toml"', "map = 'C:\\maps\\u.toml'", " (single quotes:"),
            ("open_circuit = [[0, 1], [2, 3]", "open_circuit = [[0, 1], [2, 3]]", " (one bracket was left open)"),
        ],
    )
    def test_it_is_shown(self, addition: str, corrected: str, note: str) -> None:
        tomllib.loads(corrected)
        assert f"; write {corrected}{note}" in problem_of(addition)

    @pytest.mark.parametrize(
        ("addition", "right"),
        [
            ("peak_discharge_a = 230 mV", "in A; mV is another kind of unit"),
            ("peak_discharge_a = 1,250", "peak_discharge_a = 1250 or peak_discharge_a = 1.25: the comma may mean"),
            ("peak_discharge_a = big", "write a number from 0.05 to 10000, in A"),
            ("peak_discharge_a =", "write a value after peak_discharge_a =, or leave the line out"),
            ("capacity_ah = 230", "state each section and each key once"),
            ("bare", "write key = number"),
        ],
    )
    def test_where_none_is_certain(self, addition: str, right: str) -> None:
        assert right in problem_of(addition)

    @pytest.mark.parametrize(
        ("addition", "right"),
        [
            ('[machine]\nregenerates = "yes"', "write regenerates = true"),
            ('[wiring]\nconductor_awg = "1/0 AWG"', 'write conductor_awg = "1/0"'),
            ('[wiring]\nconductor_awg = "35 mm2"', "write conductor_mm2 = 35 instead"),
            ('peak_discharge_a = "230 A"', "write peak_discharge_a = 230 without quotes, in A"),
            ('name = "a\tb"', 'write name = "a b"'),
        ],
    )
    def test_toml_of_the_wrong_type(self, addition: str, right: str) -> None:
        assert right in problem_of(addition)

    @settings(max_examples=150, deadline=None)
    @given(st.sampled_from(["peak_discharge_a", "name", "open_circuit", "foo"]), st.text(max_size=20))
    def test_whatever_is_shown_is_toml(self, name: str, said: str) -> None:
        _, problems = parse_machine(f"{PACK}{name} = {said}\n", "m.toml")
        for problem in problems:
            assert str(problem).isprintable()


class TestLimitValues:
    @pytest.mark.parametrize(
        ("addition", "warn"),
        [
            ("[limits.cell-spread]\nwarn_mv = 50\n", 0.05),
            ("[limits.charge-peak]\nwarn_ma = -40000\n", -40.0),
            ("[limits.insulation-low]\nwarn_kohm = 60\n", 60000.0),
            ("[limits.charger-left-on]\nwarn_h = 2\n", 120.0),
            ("[limits.pack-voltage-low]\nwarn_v = 46.5\n", 46.5),
            ("[limits.soc-low]\nwarn_percent = 30\n", 30.0),
        ],
    )
    def test_other_units(self, addition: str, warn: float) -> None:
        (limit,) = [each for each in limits_for(parsed(addition)) if f"[limits.{each.name}]" in addition]
        assert limit.warn == warn

    @pytest.mark.parametrize(
        ("addition", "right"),
        [
            ("[limits.cell-spread]\nwarn = 50", "did you mean 0.05 (50 mV)?"),
            ("[limits.soc-low]\nwarn = 0.2", "did you mean 20 (0.2 as a fraction of 1)?"),
            ("[limits.pack-temperature-high]\ntrip = 113", "did you mean 45 (113 °F)?"),
            ("[limits.discharge-peak]\ntrip = 90000", "did you mean 90 (90000 mA)?"),
            ("[limits.cell-voltage-low]\ntrip = 2500", "did you mean 2.5 (2500 mV)?"),
            ("[limits.cell-spread]\nwarn = 0.05\nwarn_mv = 50", "states warn a second time"),
            ("[limits.soc-low]\nwarn_mv = 50", "is an unknown key; did you mean warn?"),
            ('[limits.cell-spread]\nwarn_mv = "50"', "write warn = 50 without quotes, in mV"),
        ],
    )
    def test_a_slip_gets_the_value_meant(self, addition: str, right: str) -> None:
        assert right in problem_of(addition)

    @settings(max_examples=150, deadline=None)
    @given(st.sampled_from(LIMIT_NAMES), st.data())
    def test_any_value_is_taken_or_explained(self, limit: str, data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(limit_key_names(limit)))
        simple = st.one_of(st.booleans(), st.integers(), st.floats(), st.just(10**400), st.text("5 mV%", max_size=5))
        value = data.draw(st.one_of(simple, st.lists(simple, max_size=2)))
        machine, problems = parse_machine(f"{PACK}[limits.{limit}]\n{name} = {toml_value(value)}\n", "m.toml")
        assert (machine is None) == bool(problems)
        # a number of more than 64 bits is refused by its line, before anything is known of limits
        assert all(limit in problem.where or "too long to be read" in str(problem) for problem in problems)

    def test_our_own_numbers_are_plausible(self) -> None:
        machine = parsed("continuous_discharge_a = 100\npeak_discharge_a = 200\ncontinuous_charge_a = 50\n")
        for limit in limits_for(machine):
            for name in ("warn", "trip", "clear_margin"):
                value, key = getattr(limit, name), limit_key(limit.name, name)
                assert value is None or value == 0 or key.range[0] <= value <= key.range[1], (limit.name, name)

    def test_every_bounded_limit_has_a_range(self) -> None:
        for name in set(LIMIT_NAMES) - set(CONDITION_NAMES):
            assert limit_key(name, "warn").range[1] in {high for _, _, high in PLAUSIBLE}
            assert all(key_ending(unit) for _, unit in other_units(name).values())
            assert limit_unit(name) or not other_units(name)

    @pytest.mark.parametrize(
        ("said", "first"),
        [
            ("imbalance", "cell-imbalance-top"),
            ("overcurrent", "discharge-current"),
            ("low battery", "soc-low"),
            ("temp", "pack-temperature-high"),
            ("motor_temp", "motor-temperature-high"),
            ("cell-voltage-lo", "cell-voltage-low"),
            ("undervoltage", "pack-voltage-low"),
            ("insulation", "insulation-low"),
            ("xyzzy", None),
        ],
    )
    def test_names_by_meaning(self, said: str, first: str | None) -> None:
        found = limits_meant(said)
        assert (found[0] if found else None) == first
        assert set(found) <= set(LIMIT_NAMES)
