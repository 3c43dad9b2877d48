from __future__ import annotations

import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.kinds import Keyboard, Pairs
from telemetry.machine.limits import limits_for
from telemetry.machine.machine_file import Machine, load_machine, parse_machine
from telemetry.machine.sections import SECTIONS, find_key, missing, section_keys
from telemetry.model.errors import MachineFileError
from telemetry.model.keys import Key, header_of
from telemetry.model.toml_text import toml_value

ROOT = Path(__file__).parents[2]
SMALL = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
FULL = (
    SMALL
    + """name = "spare pack"
continuous_discharge_a = 100
peak_discharge_a = 200
peak_discharge_s = 10
low_cutoff_v = 44.8
high_cutoff_v = 58.4

[wiring]
conductor_awg = "2/0"
insulation_c = 90
bundled_conductors = 2
fuse_a = 125

[charge_wiring]
conductor_mm2 = 6

[machine]
name = "orchard machine"
minimum_voltage_v = 42
maximum_voltage_v = 63.0
regenerates = true
previous_chemistry = "lead-flooded"

[charger]
output_voltage_v = 57.6
output_current_a = 18
end_current_a = 5

[work]
currency = "EUR"
tariff_per_kwh = 0

[[source]]
driver = "serial-text"
port = "/dev/ttyUSB0"
sign_of_current = "charge-positive"
isolated = true
prefer = ["pack_current", "cell_03_voltage"]
silence_s = 4
[source.columns]
U = "pack_voltage"

[[source]]
driver = "serial-text"
port = "COM4"

[limits.cell-spread]
warn = 0.08
trip = 0.2
enabled = true
"""
)


def parsed(text: str) -> Machine:
    machine, problems = parse_machine(text, "orchard.toml")
    assert problems == []
    assert machine is not None
    return machine


def problems_of(text: str) -> list[str]:
    machine, problems = parse_machine(text, "somewhere/orchard.toml")
    assert machine is None
    return [str(problem) for problem in problems]


def only(text: str) -> str:
    found = problems_of(text)
    assert len(found) == 1, found
    return found[0]


class TestWhatIsRead:
    def test_three_keys_are_enough(self) -> None:
        machine = parsed(SMALL)
        assert (machine.pack.chemistry, machine.pack.cells_in_series, machine.pack.capacity_ah) == ("lfp", 16, 100.0)
        assert machine.pack.low_cutoff_v is None
        assert machine.sources == ()
        assert machine.bench
        assert machine.name == "orchard"

    def test_every_section(self) -> None:
        machine = parsed(FULL)
        assert machine.wiring.conductor_awg == "2/0"
        assert machine.charge_wiring.conductor_mm2 == 6.0
        assert machine.vehicle.regenerates is True
        assert machine.charger.end_current_a == 5.0
        assert machine.work.tariff_per_kwh == 0.0
        assert machine.limit_overrides["cell-spread"].warn == 0.08
        assert machine.name == "orchard machine"
        assert not machine.bench
        assert (machine.text, machine.file) == (FULL, "orchard.toml")

    def test_a_source_keeps_our_keys_and_hands_on_the_drivers(self) -> None:
        first, second = parsed(FULL).sources
        assert (first.name, first.driver, first.sign_of_current) == ("serial-text", "serial-text", "charge-positive")
        assert (first.isolated, first.prefer, first.silence_s) == (True, ("pack_current", "cell_03_voltage"), 4.0)
        assert first.settings == {"port": "/dev/ttyUSB0", "columns": {"U": "pack_voltage"}}
        assert (second.name, second.sign_of_current, second.isolated) == ("serial-text-2", "discharge-positive", None)

    def test_a_numbered_name_gives_way_to_one_that_the_owner_chose(self) -> None:
        text = SMALL + '[[source]]\ndriver="a"\n[[source]]\ndriver="a"\n[[source]]\ndriver="b"\nname="a-2"\n'
        assert [source.name for source in parsed(text).sources] == ["a", "a-3", "a-2"]

    def test_a_limit_that_is_only_switched_on_is_as_it_would_be(self) -> None:
        plain, named = (limits_for(parsed(SMALL + more)) for more in ("", "[limits.cell-spread]\nenabled = true\n"))
        assert plain == named

    def test_a_check_may_bear_a_time_of_day(self) -> None:
        text = SMALL + "[instruments]\ncurrent_checks = [[2026-05-01T09:30:00, 20, 20.4], [2026-04-01, 10, 10.1]]\n"
        days = [check.day.isoformat() for check in parsed(text).instruments.current_checks]
        assert days == ["2026-04-01", "2026-05-01"]

    @pytest.mark.parametrize(
        ("written", "kept"),
        [("4", "4"), ('"4"', "4"), ('"1/0"', "1/0"), ('"4/0"', "4/0"), ("0", "1/0"), ('"000"', "3/0")],
    )
    def test_wire_gauges(self, written: str, kept: str) -> None:
        # The names of the sizes are those of ASTM B258: 1/0 to 4/0 are also written 0 to 0000.
        assert parsed(f"{SMALL}[wiring]\nconductor_awg = {written}\n").wiring.conductor_awg == kept

    def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(self, tmp_path: Path) -> None:
        path = tmp_path / "m.toml"
        path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
        assert load_machine(path).pack.cells_in_series == 16


@pytest.mark.parametrize(
    ("written", "held", "problem"),
    [
        ('["F5", "PageDown", "x", "X", "5"]', ("f5", "pagedown", "x", "5"), ""),
        ("[]", (), ""),
        ('["q"]', None, 'names "q", which ends the run; choose a key that does nothing else'),
        ('[" "]', None, "already sets a mark"),
        ('["pagedwn"]', None, "which is not a key; write one character, or one of pageup"),
        ('["f25"]', None, "f1 to f24"),
        ('"f5"', None, "where a list of keys belongs"),
    ],
)
def test_keys_that_mark(written: str, held: tuple[str, ...] | None, problem: str) -> None:
    machine, problems = parse_machine(f"{SMALL}[machine]\nmark_keys = {written}\n", "m.toml")
    if machine is not None:
        assert (machine.vehicle.mark_keys, problem) == (held, "")
    else:
        assert problem in str(problems[0])
        assert "mark_keys" in str(problems[0])


def _example(key: Key) -> str:
    return f"{key.name} = {toml_value(key.example)}"


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_subset_of_valid_keys_parses(data: st.DataObject) -> None:
    lines = []
    for section in ("pack", "wiring", "charge_wiring", "machine", "charger", "work"):
        keys = section_keys(section)
        chosen = [key for key in keys if key.required or data.draw(st.booleans(), label=key.place)]
        if any(key.name == "conductor_mm2" for key in chosen):
            chosen = [key for key in chosen if key.name != "conductor_awg"]
        lines += [f"[{section}]", *(_example(key) for key in chosen)]
    text = "\n".join(lines)
    machine = parsed(text)
    stated = tomllib.loads(text)
    for section, table in stated.items():
        held = machine.vehicle if section == "machine" else getattr(machine, section)
        for key in section_keys(section):
            value = getattr(held, key.name)
            assert (value is not None) == (key.name in table)
            if isinstance(key.kind, Pairs) and value is not None:
                value = [list(pair) for pair in value]
            if isinstance(key.kind, Keyboard) and value is not None:
                value = list(value)
            assert value is None or str(value) == str(table[key.name]) or value == table[key.name]


@pytest.mark.parametrize(
    ("curve", "word"),
    [
        ("3.3", "two or more pairs"),
        ("[[0, 2.9]]", "two or more pairs"),
        ("[[0, 2.9], [50]]", "two or more pairs"),
        ("[[0, 2.9], [120, 3.4]]", "[120, 3.4]"),
        ("[[0, 2900], [100, 3400]]", "[0, 2900]"),
        ("[[0, 2.9], [50, 3.3], [40, 3.35]]", "rising percent"),
        ("[[0, 2.9], [50, 3.3], [60, 3.25]]", "only rises"),
    ],
)
def test_an_open_circuit_curve_that_is_none_is_told_with_what_would_be_right(curve: str, word: str) -> None:
    machine, problems = parse_machine(SMALL.replace("[pack]", f"[pack]\nopen_circuit = {curve}", 1), "x.toml")
    assert machine is None
    assert word in str(problems[0])
    assert "open_circuit" in str(problems[0])


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda raw: raw.decode("latin-1")))
def test_no_text_whatever_brings_anything_but_problems(text: str) -> None:
    machine, problems = parse_machine(text, "x.toml")
    assert (machine is None) == bool(problems)
    assert all(str(problem).isprintable() for problem in problems)


_VALUES: st.SearchStrategy[Any] = st.recursive(
    st.booleans()
    | st.integers()
    | st.floats()
    | st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=20),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=4,
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(SECTIONS)), st.data())
def test_any_value_at_any_key_is_taken_or_explained(section: str, data: st.DataObject) -> None:
    key = data.draw(st.sampled_from(section_keys(section)))
    value = data.draw(_VALUES)
    header = header_of(section).replace("NAME", "cell-spread")
    text = f"{header}\n{key.name} = {toml_value(value)}\n"
    machine, problems = parse_machine(text if section == "pack" else SMALL.replace("\n", "\n") + text, "x.toml")
    assert (machine is None) == bool(problems)
    assert all(str(problem).isprintable() and problem.what and problem.right for problem in problems)


class TestProblems:
    def test_another_chemistry_is_not_proposed(self) -> None:
        """A charge limit of the wrong chemistry overcharges the pack."""
        text = '[pack]\nchemistry = "Li-ion"\ncells_in_series = 16\ncapacity_ah = 100\n'
        _, (problem,) = parse_machine(text, "cart.toml")
        assert "[pack] chemistry" in problem.where
        assert "did you mean" not in str(problem)

    def test_five_mistakes_give_five_problems(self, tmp_path: Path) -> None:
        path = tmp_path / "orchard.toml"
        path.write_text(
            '[pack]\nchemistry = "lfq"\ncells_in_series = 500\ncapacity_ah = "100 Ah"\nlow_cutof_v = 40\n'
            "[wiring]\nfuse_a = -1\n"
        )
        with pytest.raises(MachineFileError) as caught:
            load_machine(path)
        problems = caught.value.problems
        assert len(problems) == 5
        assert caught.value.exit_status == 2
        for key, what, right, line in [
            ("[pack] chemistry", '"lfq"', "did you mean lfp?", 2),
            ("[pack] cells_in_series", "is 500", "a whole number from 1 to 120", 3),
            ("[pack] capacity_ah", '"100 Ah" where a number belongs', "capacity_ah = 100 without quotes", 4),
            ("[pack] low_cutof_v", "an unknown key", "did you mean low_cutoff_v?", 5),
            ("[wiring] fuse_a", "is -1 A, and must be above 0", "a number from 0.1 to 3000, in A", 7),
        ]:
            (found,) = [str(p) for p in problems if key in p.where]
            assert found.startswith(f"orchard.toml, line {line}, ")
            assert what in found
            assert right in found
        assert str(path) in str(caught.value)

    @pytest.mark.parametrize("key", ["chemistry", "cells_in_series", "capacity_ah"])
    def test_a_missing_required_key_says_where_to_find_it(self, key: str) -> None:
        text = "\n".join(line for line in SMALL.splitlines() if not line.startswith(key))
        found = only(text)
        assert f"[pack] {key}: is missing" in found
        assert find_key("pack", key).find in found

    @pytest.mark.parametrize(
        ("addition", "where", "what", "right"),
        [
            ("capacity = 3", "[pack] capacity", "unknown key", "did you mean capacity_ah?"),
            ("output_voltage_v = 3", "[pack] output_voltage_v", "unknown key", "it belongs to [charger]"),
            ("[pakc]\na = 1", "[pakc]", "unknown section", "did you mean [pack]?"),
            ("mass_kg = true", "[pack] mass_kg", "true where a number belongs", "a number from"),
            ("mass_kg = inf", "[pack] mass_kg", "not a quantity", "a number from"),
            ("mass_kg = 1979-05-27", "[pack] mass_kg", "a date or time", "a number from"),
            ("name = 3", "[pack] name", "is 3 where text belongs", "text in quotes"),
            ('name = "a\\u001b[2J"', "[pack] name", "cannot be shown", "on one line"),
            ("low_cutoff_v = 60", "[pack] low_cutoff_v", "too high for 16 LFP cells", "cells_in_series"),
            ("high_cutoff_v = 4.2", "[pack] high_cutoff_v", "too low for 16 LFP cells", "whole pack"),
            (
                "low_cutoff_v = 50\nhigh_cutoff_v = 60\n[machine]\nregenerates = 1",
                "[machine] regenerates",
                "is 1",
                "true",
            ),
            (
                "continuous_discharge_a = 100\npeak_discharge_a = 80",
                "[pack] peak_discharge_a",
                "below continuous_discharge_a of 100 A",
                "correct one",
            ),
            ("[wiring]\nconductor_mm2 = 25\nconductor_awg = 4", "[wiring] conductor_awg", "one size", "leave one"),
            (
                "[charge_wiring]\nconductor_awg = 21",
                "[charge_wiring] conductor_awg",
                "not a wire gauge",
                '"1/0" to "4/0"',
            ),
            (
                '[wiring]\ninstallation = "free-air"\nbundled_conductors = 9',
                "[wiring] installation",
                'is "free-air" while bundled_conductors is 9',
                'write installation = "bundled"',
            ),
            (
                '[charge_wiring]\ninstallation = "bundled"\nbundled_conductors = 1',
                "[charge_wiring] installation",
                "bundled_conductors is 1",
                "free-air",
            ),
            ("[charge_wiring]\ninsulation_c = 80", "[charge_wiring] insulation_c", "is 80", "60, 75, 90, 105, 125"),
            (
                "[machine]\nminimum_voltage_v = 60\nmaximum_voltage_v = 42",
                "[machine] maximum_voltage_v",
                "below minimum_voltage_v of 60 V",
                "correct one",
            ),
            (
                "[charger]\nend_current_a = 20\noutput_current_a = 18",
                "[charger] output_current_a",
                "below end_current_a",
                "correct one",
            ),
            ('[[source]]\nport = "x"', "[[source]] number 1, driver", "is missing", "driver ="),
            ('[source]\ndriver = "x"', "[[source]]", "is a table", "two brackets"),
            (
                '[[source]]\ndriver = "x"\nsign_of_current = "charging"',
                "[[source]] number 1, sign_of_current",
                '"charging"',
                '"discharge-positive", "charge-positive"',
            ),
            (
                '[[source]]\ndriver="x"\nname="a"\n[[source]]\ndriver="y"\nname="a"',
                "[[source]] number 2, name",
                '"a" a second time',
                "its own name",
            ),
            ('[[source]]\ndriver="x"\nname="derived"', "[[source]] number 1, name", "what we compute", "another"),
            ('[[source]]\ndriver="x"\nname="a/b"', "[[source]] number 1, name", "cannot name a source", "use no /"),
            ("[[machine]]\nregenerates = true", "[machine]", "is a list", "write the line [machine] once"),
            ("[[limits]]\nwarn = 1", "[limits]", "is a list", "write [limits.NAME], one for each limit"),
            ("[limits]\ncell-spread = 0.1", "[limits] cell-spread", "is 0.1", "write the line [limits.cell-spread]"),
            (
                '[instruments]\ncurrent_checks = [["2026-05-01", 20, 1e6]]',
                "[instruments] current_checks",
                "holds the readings 20 and 1e+06",
                "in A",
            ),
            (
                '[[source]]\ndriver="x"\nprefer=["pack_curent"]',
                "[[source]] number 1, prefer",
                "not a signal",
                "did you mean pack_current",
            ),
            ("[limits.cell-sprad]\nwarn = 1", "[limits.cell-sprad]", "unknown limit", "[limits.cell-spread]"),
            ("[limits.cell-spread]\nwarns = 1", "[limits.cell-spread] warns", "unknown key", "did you mean warn?"),
            ("[limits]\nwarn = 1", "[limits] warn", "not under a limit's name", "pack-voltage-low"),
            (
                "[limits.cell-spread]\nwarn = 0.3\ntrip = 0.2",
                "[limits.cell-spread] warn",
                "is 0.3, above the trip of 0.2",
                "below the trip",
            ),
            (
                "[limits.pack-voltage-low]\nwarn = 40\ntrip = 44",
                "[limits.pack-voltage-low] warn",
                "is 40, below the trip of 44",
                "above the trip",
            ),
            (
                "low_cutoff_v = 48\n[limits.pack-voltage-low]\nwarn = 47",
                "[limits.pack-voltage-low] warn",
                "is 47, below the trip of 48, which is ours (BMS cut-off 48.0 V",
                "above the trip",
            ),
            (
                "[limits.pack-voltage-high]\ntrip = 57",
                "[limits.pack-voltage-high] trip",
                "is 57, below the warn of 57.92, which is ours",
                "set warn too",
            ),
            ("[limits.charge-current]\ntrip = 20", "[limits.charge-current] trip", "as positive", "trip = -20"),
            ("[limits.discharge-current]\ntrip = -20", "[limits.discharge-current] trip", "negative", "trip = 20"),
        ],
    )
    def test_each_mistake_names_place_what_and_right(self, addition: str, where: str, what: str, right: str) -> None:
        found = only(SMALL + addition)
        assert found.startswith("orchard.toml, line ")
        place, _, rest = found.partition(": ")
        assert place.endswith(where)
        assert what in rest
        assert right in rest

    def test_a_key_above_all_sections(self) -> None:
        assert "orchard.toml, line 1, capacity_ah: is outside any section; move it below the line [pack]" in (
            problems_of("capacity_ah = 3\n" + SMALL)
        )

    def test_contradictions_are_found_beside_a_missing_key(self) -> None:
        found = problems_of(
            "[pack]\ncontinuous_discharge_a = 9\npeak_discharge_a = 8\n[limits.charge-current]\ntrip=1\n"
        )
        assert len(found) == 5

    @pytest.mark.parametrize(
        ("text", "place", "what"),
        [
            ("[pack]\nchemistry = lfp\n", "line 2, column 13", "invalid value"),
            ("[pack\n", "line 1", "expected ']'"),
            ('[pack]\nchemistry = "lfp', "line 2", "unterminated"),
            ("[pack]\nmass_kg = 1\nmass_kg = 2\n", "line 3", "overwrite"),
            ("a = " + "9" * 5000, "orchard.toml", "too long"),
            ("a = " + "[" * 5000, "orchard.toml", "too deeply"),
        ],
    )
    def test_what_is_not_toml(self, text: str, place: str, what: str) -> None:
        found = only(text)
        assert place in found
        assert what in found.lower()
        assert len(found) < 400

    def test_hostile_names_are_made_harmless(self) -> None:
        _, problems = parse_machine('["\\u001b[2J"]\n"\\u0007" = 1\n[pack]\n"\\u001b]0;x" = 2\n', "\x1b[31m.toml")
        assert problems
        assert all(str(problem).isprintable() for problem in problems)


class TestFiles:
    def test_missing_names_the_nearest(self, tmp_path: Path) -> None:
        (tmp_path / "orchard.toml").write_text(SMALL)
        with pytest.raises(MachineFileError, match=r"no such file; did you mean orchard\.toml\?"):
            load_machine(tmp_path / "orchad.toml")

    def test_missing_in_an_empty_folder_says_how_to_make_one(self, tmp_path: Path) -> None:
        with pytest.raises(MachineFileError, match="new-machine"):
            load_machine(tmp_path / "nowhere" / "orchard.toml")

    def test_not_utf_8_names_byte_and_line(self, tmp_path: Path) -> None:
        path = tmp_path / "m.toml"
        path.write_bytes(b'[pack]\nname = "\xe9t\xe9"\n')
        with pytest.raises(MachineFileError, match=r"line 2: byte 15 \(0xe9\) is not UTF-8; save it as UTF-8"):
            load_machine(path)

    def test_a_folder_and_a_huge_file(self, tmp_path: Path) -> None:
        with pytest.raises(MachineFileError, match="cannot be read"):
            load_machine(tmp_path)
        path = tmp_path / "m.toml"
        with path.open("wb") as stream:
            stream.truncate(10_000_000_000)
        with pytest.raises(MachineFileError, match="not a machine file"):
            load_machine(path)


class TestTheTableOfKeys:
    def test_every_field_of_a_section_is_a_described_key(self) -> None:
        for section, table in SECTIONS.items():
            described = {key.name for key in section_keys(section)}
            own = {"source": {"settings"}, "limits": {"name"}}.get(section, set())
            assert {each.name for each in fields(table)} == described | own

    def test_every_key_says_what_it_is_and_where_to_find_it(self) -> None:
        for section in SECTIONS:
            for key in section_keys(section):
                assert key.meaning
                assert key.find
                assert key.range[0] < key.range[1]

    def test_few_keys_are_required(self) -> None:
        required = [key.place for section in SECTIONS for key in section_keys(section) if key.required]
        assert required == [
            "[pack] chemistry",
            "[pack] cells_in_series",
            "[pack] capacity_ah",
            "[[source]] driver",
            "[[publish]] broker",
        ]

    def test_units_come_from_the_names(self) -> None:
        units = {name: find_key(section, name).unit for section, name in [
            ("pack", "capacity_ah"), ("pack", "balance_current_ma"), ("pack", "internal_resistance_mohm"),
            ("machine", "precharge_ohm"), ("machine", "mass_kg"), ("wiring", "one_way_length_m"),
            ("work", "tariff_per_kwh"), ("work", "fuel_l_per_h"), ("wiring", "insulation_c"), ("pack", "name"),
        ]}  # fmt: skip
        assert list(units.values()) == ["Ah", "mA", "mΩ", "Ω", "kg", "m", "currency per kWh", "L/h", "°C", ""]

    def test_what_is_missing_is_said_with_where_to_find_it(self) -> None:
        said = missing("pack", "continuous_discharge_a")
        assert said.startswith("unknown: [pack] continuous_discharge_a is not stated")
        assert "maker's sheet" in said

    def test_the_example_of_the_documentation_parses(self) -> None:
        text = (ROOT / "docs" / "machine-file.md").read_text(encoding="utf-8")
        example = text.split("```toml\n")[1].split("```")[0]
        assert parsed(example).name == "orchard machine"


def test_reading_a_machine_file_does_not_load_numpy() -> None:
    heavy = "{'numpy', 'pyarrow', 'sqlite3', 'textual', 'asyncio'}"
    rooms = "telemetry.machine.machine_file, telemetry.machine.interview"
    program = f"import sys, {rooms}; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
