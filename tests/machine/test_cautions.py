"""The cautions go with the pack's voltage, and no text asks for what can hurt."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from telemetry.analysis.fault_isolation.checks import next_checks
from telemetry.analysis.fault_isolation.findings import Cause
from telemetry.cli import main
from telemetry.machine.cautions import GENERAL, caution_line, is_licensed_work, shock_caution
from telemetry.machine.first_power_steps import STEPS
from telemetry.machine.machine_file import parse_machine
from telemetry.report.bench_text import HOW, bench_cautions
from telemetry.report.isolation_text import OWNER_NAMES

ROOT = Path(__file__).parents[2]
TEXTS = sorted([*(ROOT / "telemetry").rglob("*.py"), *(ROOT / "docs").glob("*.md"), ROOT / "README.md"])


def machine(cells, more=""):
    text = f'[pack]\nchemistry = "lfp"\ncells_in_series = {cells}\ncapacity_ah = 100\n{more}'
    found, problems = parse_machine(text, "m.toml")
    assert problems == []
    return found, text


@pytest.mark.parametrize(
    ("cells", "more", "shock", "licensed"),
    [
        (15, "", False, False),  # 48 V: 54.8 V full
        (16, "", False, False),
        (16, "[charger]\noutput_voltage_v = 62\n", True, False),  # the charger takes it above
        (22, "", True, False),  # 72 V: 80.3 V full
        (32, "", True, False),
        (36, "", True, True),  # 130 V: 131.4 V full
    ],
)
def test_the_caution_goes_with_the_voltage_at_full_charge(cells, more, shock, licensed, tmp_path, capsys):
    of, text = machine(cells, more)
    assert bool(shock_caution(of)) is shock
    assert is_licensed_work(of) is licensed
    assert len(caution_line(of)) <= 80
    assert (caution_line(of) == GENERAL) is not shock
    assert ("licensed" in caution_line(of)) is licensed
    assert ("can kill" in " ".join(bench_cautions(of))) is shock
    path = tmp_path / "m.toml"
    path.write_text(text, encoding="utf-8")
    main(["fit", str(path)])
    assert ("can kill" in " ".join(capsys.readouterr().out.split())) is shock
    main(["limits", str(path), "--store", str(tmp_path / "none.sqlite3")])
    assert capsys.readouterr().out.splitlines()[-1] == caution_line(of)


def test_without_a_machine_the_caution_is_the_general_one():
    assert caution_line(None) == GENERAL
    assert len(GENERAL) <= 80


def test_watching_without_the_screen_says_it_once(tmp_path, capsys):
    assert (
        main(["watch", "--demo", "--no-screen", "--silent", "--for", "1", "--store", str(tmp_path / "s.sqlite3")])
        == 0
    )
    told = capsys.readouterr()
    assert told.err.count("Caution: ") == 1
    assert "Caution: " not in told.out


def test_joints_are_looked_at_dead_and_found_by_thermometer():
    chances = dict.fromkeys(OWNER_NAMES, 0.2)
    told = " ".join(next_checks("power-connection", ("power-connection",), chances))
    for words in ("Key off, pack disconnected", "stay live", "insulated tools", "below 60 V", "licensed work"):
        assert words in told
    for words in ("infrared thermometer", "never by hand", "clipped on beforehand", "nobody touching"):
        assert words in told
    for cause in OWNER_NAMES:
        assert "wiggle" not in " ".join(next_checks(cause, (cause,), chances)).lower()


def test_the_first_check_of_a_joint_can_be_read_by_itself():
    """Where a joint is only the second likely part, its first check alone is shown."""
    chances: dict[Cause, float] = {"controller": 0.6, "power-connection": 0.3}
    *_, last = next_checks("controller", ("controller", "power-connection"), chances)
    assert last.startswith("Key off, pack disconnected")


def test_only_signal_plugs_are_moved_on_the_bench():
    for lines in HOW.values():
        assert "Signal plugs only" in " ".join(lines)
    assert max(len(line) for lines in HOW.values() for line in lines) <= 80


def test_every_step_at_a_joint_says_that_cell_joints_stay_live():
    steps = [step for step in STEPS if "orque every" in step.what(machine(16)[0], {})]
    steps += [step for step in STEPS if step.name == "retorque"]
    assert {step.name for step in steps} == {"lug-torque", "retorque"}
    for step in steps:
        told = " ".join(step.cautions)
        assert "stay live" in told
        assert "split the string" in told
        assert "licensed work" in told


@pytest.mark.parametrize(
    "dangerous",
    [
        r"\bfeel (the|for|hubs|plugs|or read)",
        r"(10 mV|joint)[^.\n]{0,40} at 50 A",
        r"wiggle and pull",
        r"under (a )?steady load, (put|below)",
    ],
)
def test_no_text_asks_for_a_hand_on_a_joint_or_fifty_amperes_on_stands(dangerous):
    assert TEXTS
    for path in TEXTS:
        found = re.search(dangerous, " ".join(path.read_text(encoding="utf-8").split()), re.IGNORECASE)
        assert found is None, (path, found)
