"""What ``shakedown limits`` prints can be read at 80 columns and says everything of every limit."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.simulated.machine_files import machine_file
from telemetry.cli import main
from telemetry.machine.limits import LIMIT_NAMES, limits_for, unjudged
from telemetry.machine.machine_file import parse_machine
from telemetry.report.limit_list import WIDTH, limit_lines, limit_objects

SMALL = (
    '[pack]\nchemistry = "nmc"\ncells_in_series = 14\ncapacity_ah = 60\n[limits.cell-resistance]\nenabled = false\n'
)
TEXTS = {"all stated": machine_file("orchard", 1), "little stated": SMALL}


@pytest.fixture(params=TEXTS)
def text(request: pytest.FixtureRequest) -> str:
    return TEXTS[request.param]


def test_every_limit_is_listed_in_eighty_columns(text: str) -> None:
    machine, problems = parse_machine(text, "m.toml")
    assert machine is not None, problems
    lines = limit_lines(limits_for(machine), unjudged(machine))
    assert max(map(len, lines)) <= WIDTH
    heads = {line.split()[0] for line in lines if line and not line.startswith(" ")}
    assert heads - {"Not"} == set(LIMIT_NAMES)
    for limit in limits_for(machine):
        flat = " ".join(" ".join(lines).split())
        assert " ".join(limit.origin.split()) in flat
        for level, bound in (("warn", limit.warn), ("trip", limit.trip)):
            if bound is not None:
                assert f"{level} {'above' if limit.side == 'high' else 'below'} {bound:.5g}" in flat


def test_a_figure_keeps_its_unit_beside_it(text: str) -> None:
    machine, _ = parse_machine(text, "m.toml")
    assert machine is not None
    lines = limit_lines(limits_for(machine), unjudged(machine))
    assert not any(line.strip().startswith(("V ", "A ", "°C", "%", "mV ")) for line in lines)


def test_the_command_gives_the_same_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    path = tmp_path / "mower.toml"
    path.write_text(text, "utf-8")
    assert main(["limits", str(path), "--json", "--store", str(tmp_path / "none.sqlite")]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {each["name"] for each in told} == set(LIMIT_NAMES)
    machine, _ = parse_machine(text, "m.toml")
    assert machine is not None
    assert told == json.loads(json.dumps(limit_objects(limits_for(machine), unjudged(machine), ())))
    for each in told:
        assert each["origin"]
        if each["in_force"]:
            assert {"signal", "warn", "trip", "unit", "clear_margin", "raise_delay_s", "clear_delay_s"} <= set(each)
