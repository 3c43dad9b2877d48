"""The tables of priorities, latches and suppression: they name limits that exist, and the page shows them."""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path

from telemetry.alarms.priorities import GUIDANCE, PRIORITY_TABLE, priority_of
from telemetry.alarms.rules import (
    CONDITIONS,
    LATCHING,
    LONGEST_SHELVE_S,
    SHELVE_CHOICES_S,
    SUPPRESSION_TABLE,
    longest_shelve_s,
    rules_for,
)
from telemetry.machine.limits import LIMIT_NAMES
from telemetry.machine.machine_file import parse_machine
from telemetry.model.signals import find_signal

PAGE = (Path(__file__).parents[2] / "docs" / "alarms.md").read_text(encoding="utf-8")
NAMES = set(LIMIT_NAMES)


def test_every_row_speaks_of_a_limit_that_exists() -> None:
    for pattern in [row.limit for row in PRIORITY_TABLE] + [row.limit for row in SUPPRESSION_TABLE] + [*LATCHING]:
        assert any(fnmatchcase(name, pattern) for name in NAMES), pattern
    assert {row.condition for row in SUPPRESSION_TABLE} == set(CONDITIONS)
    charging = CONDITIONS["charging"]
    assert (charging.raise_delay_s, charging.clear_delay_s) == (0.0, 0.0), (
        "the stage that finds it has delays of its own"
    )
    assert all(find_signal(condition.signal) for condition in CONDITIONS.values())


def test_few_are_at_the_top() -> None:
    # Guidance of EEMUA 191 and ISA-18.2, from memory: 5 % high, 15 % medium, 80 % low; of what occurs, so of the
    # configured ones only the order can be held to it.
    bounds = [priority_of(name, level) for name in sorted(NAMES) for level in ("warn", "trip")]
    assert bounds.count("high") < bounds.count("medium") < bounds.count("low")
    assert abs(sum(GUIDANCE.values()) - 1.0) < 1e-12


def test_the_page_shows_the_tables() -> None:
    quiet = PAGE[PAGE.index("## Suppressed by design") : PAGE.index("## Priorities")].splitlines()
    for row in SUPPRESSION_TABLE:
        (line,) = [line for line in quiet if line.startswith("- ") and f"`{row.limit}`" in line]
        assert line.startswith(f"- while {row.condition}, {' and '.join(row.levels)}: ")
    for name in LATCHING:
        assert f"`{name}`" in PAGE[PAGE.index("## Latching") : PAGE.index("## Shelving")]
    assert [round(choice / 60) for choice in SHELVE_CHOICES_S] == [5, 15, 60]
    assert [longest_shelve_s("cell-spread", "warn"), longest_shelve_s("cell-voltage-low", "trip")] == [3600.0, 900.0]
    assert {"high": 900.0, "medium": max(SHELVE_CHOICES_S), "low": max(SHELVE_CHOICES_S)} == LONGEST_SHELVE_S


def test_the_owner_decides_what_latches_and_what_is_out_of_service() -> None:
    text = (
        '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
        "[limits.cell-voltage-low]\nlatched = false\n[limits.pack-voltage-low]\nlatched = true\n"
        "[limits.cell-spread]\nenabled = false\n"
    )
    machine, problems = parse_machine(text, "cart.toml")
    assert machine is not None, problems
    rules = rules_for(machine)
    assert [rules.latches(name) for name in ("cell-voltage-low", "cell-voltage-high", "pack-voltage-low")] == [
        False,
        True,
        True,
    ]
    assert list(rules.out_of_service) == ["cell-spread"]
    assert not rules_for(None).out_of_service
