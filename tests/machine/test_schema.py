"""The schema for editors: valid by its dialect, true for every machine file here, and as strict as the reader.

Judged by the ``jsonschema`` library, which implements JSON Schema draft 2020-12.
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from telemetry.cli import main
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.new_machine import new_machine_text
from telemetry.machine.schema import DIALECT, machine_schema
from telemetry.machine.sections import SECTIONS, section_keys
from telemetry.model.keys import Key
from telemetry.model.toml_text import toml_value
from telemetry.pipeline.registry import check_settings, driver_tables

ROOT = Path(__file__).parents[2]
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
FILES = sorted({*(ROOT / "docs" / "machines").glob("*.toml"), *(ROOT / "replay_data").glob("*.toml")})
SCHEMA = machine_schema(driver_tables())
VALIDATOR = Draft202012Validator(SCHEMA)


def complaints(text: str) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(tomllib.loads(text))]


def test_it_is_a_schema_of_its_dialect() -> None:
    assert SCHEMA["$schema"] == DIALECT == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_machine_files_here_are_valid(path: Path) -> None:
    assert complaints(path.read_text(encoding="utf-8")) == []


def test_the_examples_of_the_documentation_are_valid() -> None:
    links = ("serial-text", "satellite-position", "modbus", "can-messages", "bluetooth-le", "frame-map")
    pages = [ROOT / "docs" / f"{name}.md" for name in ("machine-file", "limits", *links)]
    blocks = [
        block for page in pages for block in re.findall(r"```toml\n(.*?)```", page.read_text("utf-8"), re.DOTALL)
    ]
    assert len(blocks) >= 3
    for block in blocks:
        source = tomllib.loads(block).get("source", [])
        if isinstance(source, list) and "[frame]" not in block:  # else a part of one, or a frame map
            assert complaints(block if "[pack]" in block else PACK + block) == []


def test_a_new_machine_file_is_valid() -> None:
    assert complaints(new_machine_text({})) == []


@pytest.mark.parametrize(
    ("planted", "said"),
    [
        ("capacity = 3", "'capacity' was unexpected"),
        ("continuous_discharge_a = 900000", "900000 is greater than the maximum of 5000"),
        ('continuous_discharge_a = "80 A"', "'80 A' is not of type 'number'"),
        ('name = " "', "does not match"),
        ("open_circuit = [[0, 2.9]]", "too short"),
        ("open_circuit = [[0, 2.9], [150, 3.4]]", "150 is greater than the maximum of 100"),
        ("[wiring]\nconductor_awg = 30", "30 is not valid under any of the given schemas"),
        ("[wiring]\ninsulation_c = 80", "80 is not one of"),
        ("[machine]\nregenerates = 1", "1 is not of type 'boolean'"),
        ("[machine]\nprevious_cells_in_series = 2.5", "2.5 is not of type 'integer'"),
        ("[motor]\nname = 'x'", "'motor' was unexpected"),
        ("[[source]]\nport = 'COM4'", "'driver' is a required property"),
        ("[[source]]\ndriver = 'serial-text'", "'port' is a required property"),
        ("[[source]]\ndriver = 'serial-text'\nport = 'COM4'\nboud_rate = 9600", "'boud_rate' was unexpected"),
        ("[[source]]\ndriver = 'modbus'\nhost = 'a'\nunit = 300", "300 is greater than the maximum of 255"),
        ("[limits.imbalance]\nwarn = 2", "'imbalance' was unexpected"),
        ("[limits.cell-spread]\nwarn = 50", "50 is greater than the maximum of 2"),
        ("[limits.cell-spread]\nwarn_mv = 50000", "50000 is greater than the maximum of 2000"),
        ("[limits.link]\nwarn = 1", "'warn' was unexpected"),
    ],
)
def test_a_planted_mistake_is_found_as_the_reader_finds_it(planted: str, said: str) -> None:
    text = f"{PACK}{planted}\n"
    assert any(said in each for each in complaints(text)), complaints(text)
    assert parse_machine(text, "m.toml", check_settings)[1], "the reader refuses it too"


def test_a_missing_pack_is_found() -> None:
    assert any("'pack' is a required property" in each for each in complaints(""))


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(
        [key for section in SECTIONS if section not in ("source", "limits") for key in section_keys(section)]
    ),
    st.one_of(st.integers(-10, 10**7), st.floats(-1e7, 1e7), st.booleans(), st.text("abc 12/0", max_size=5)),
)
def test_what_the_reader_takes_the_schema_takes(key: Key, value: object) -> None:
    if key.name in ("chemistry", "cells_in_series"):
        return
    base = PACK.replace("capacity_ah = 100\n", "") if key.name == "capacity_ah" else PACK
    header = "" if key.section == "pack" else f"[{key.section}]\n"
    text = f"{base}{header}{key.name} = {toml_value(value)}\n"
    machine, _ = parse_machine(text, "m.toml")
    if machine is not None:
        assert complaints(text) == []


def test_every_key_is_explained() -> None:
    schema = SCHEMA["properties"]
    for section in SECTIONS:
        table = schema[section].get("items", schema[section])
        if section == "limits":
            table = table["properties"]["cell-spread"]
        for key in section_keys(section):
            about = table["properties"][key.name]["description"]
            assert key.meaning in about
            assert key.find in about


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["machine-schema"]) == 0
    assert json.loads(capsys.readouterr().out) == SCHEMA
    path = tmp_path / "machine.schema.json"
    assert main(["machine-schema", "--out", str(path)]) == 0
    assert "#:schema ./machine.schema.json" in capsys.readouterr().out
    assert json.loads(path.read_text("utf-8")) == SCHEMA
    assert main(["machine-schema", "--out", str(path)]) == 2
