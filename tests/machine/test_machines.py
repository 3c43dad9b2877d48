"""Whole machine files: eight sound ones, eight with mistakes, and every sample file of the project.

All are invented. What a sound machine cannot avoid is a caution: a pack above 60 V, a battery of half the weight, and
regen that is gone in frost.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.machine_files import machine_file
from drivers.simulated.varied import SCENARIO_NAMES
from telemetry.machine.fit import CHECKS, Finding, fit, overall
from telemetry.machine.fit.findings import RANK
from telemetry.machine.machine_file import Machine, load_machine, parse_machine

ROOT = Path(__file__).parents[2]
MACHINES = Path(__file__).parent / "machines"

BLOCKS, CONVERTER, BLADE = "blocks-in-series", "converter-input", "blade-speed"
TOUCH = {"touch-voltage": "caution"}
LIGHTER = {"mass": "caution"}
REGEN = {"cold-charging": "caution"}

FOUND: dict[str, tuple[dict[str, str], set[str]]] = {
    "sound-24v-mower": ({}, {BLOCKS, CONVERTER}),
    "sound-36v-cart": (LIGHTER | {"charger-match": "unknown", "implement-start": "unknown"}, {BLOCKS, BLADE}),
    "sound-48v-blocks-mower": (LIGHTER, {CONVERTER}),
    "sound-48v-cart": ({}, {BLOCKS, BLADE}),
    "sound-60v-kart": (LIGHTER | TOUCH | REGEN, {BLOCKS, BLADE}),
    "sound-72v-loader": (LIGHTER | TOUCH, {BLOCKS, BLADE}),
    "sound-96v-kart": (LIGHTER | TOUCH, {BLOCKS, BLADE}),
    "sound-120v-loader": (TOUCH, {BLOCKS, BLADE}),
    "wrong-36v-cart-fuse-ac-only": (
        LIGHTER | {"fuse-voltage": "unknown", "fuse-interrupting": "stop"},
        {BLOCKS, CONVERTER, BLADE},
    ),
    "wrong-48v-cart-pack-on-hill": ({"hill": "stop"}, {BLOCKS, CONVERTER, BLADE}),
    "wrong-48v-cart-regen-and-converter": (
        REGEN | {"regeneration": "stop", "converter-input": "stop"},
        {BLOCKS, BLADE},
    ),
    "wrong-48v-mower-fuse-on-hill": (LIGHTER | {"hill": "stop"}, {BLOCKS, CONVERTER}),
    "wrong-48v-mower-lead-charger": (LIGHTER | {"charger-match": "stop"}, {BLOCKS, CONVERTER}),
    "wrong-60v-mower-blocks": (LIGHTER | TOUCH | {BLOCKS: "stop"}, {CONVERTER, BLADE}),
    "wrong-72v-loader-hot-bundle": (
        LIGHTER | TOUCH | {"conductor-ampacity": "stop", "fuse-size": "stop", "hill": "stop"},
        {BLOCKS, BLADE},
    ),
    "wrong-96v-kart-cut-off": (
        LIGHTER | TOUCH | {"controller-minimum": "stop", "cut-off-order": "caution"},
        {BLOCKS, CONVERTER, BLADE},
    ),
}
"""Of each file: every check that is not ok with its verdict, and the checks that do not apply. All others are ok."""


@cache
def machine_of(name: str) -> Machine:
    return load_machine(MACHINES / f"{name}.toml")


def test_every_file_is_listed() -> None:
    assert sorted(path.stem for path in MACHINES.glob("*.toml")) == sorted(FOUND)
    assert len(FOUND) == 16


@pytest.mark.parametrize("name", FOUND)
def test_every_check_finds_what_is_there(name: str) -> None:
    not_ok, absent = FOUND[name]
    expected = {check: not_ok.get(check, "ok") for check in CHECKS if check not in absent}
    assert {each.check: each.verdict for each in fit(machine_of(name))} == expected
    assert (overall(fit(machine_of(name))) == "stop") == name.startswith("wrong")


SAMPLES = [
    *(ROOT / "replay_data").glob("*.toml"),
    *(ROOT / "docs" / "machines" / f"{name}.toml" for name in ("good-retrofit", "half-stated")),
]


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_no_sample_file_is_stopped(path: Path) -> None:
    assert overall(fit(load_machine(path))) != "stop"


@pytest.mark.parametrize("scenario", SCENARIO_NAMES)
@pytest.mark.parametrize("seed", range(1, 21))
def test_no_simulated_machine_is_stopped(scenario: str, seed: int) -> None:
    machine, problems = parse_machine(machine_file(scenario, seed), "simulated.toml")
    assert problems == []
    assert machine is not None
    assert [each for each in fit(machine) if each.verdict == "stop"] == []


def found(machine: Machine) -> dict[str, Finding]:
    return {each.check: each for each in fit(machine)}


def changed(machine: Machine, section: str, **values: object) -> Machine:
    return replace(machine, **{section: replace(getattr(machine, section), **values)})


def worse(machine: Machine, how: str, by: float) -> Machine:
    """Return the machine with more current, a thinner wire, hotter air or a longer pull; ``by`` is 1 or more."""
    wiring, vehicle = machine.wiring, machine.vehicle
    match how:
        case "thinner":
            thinner = 35.0 if wiring.conductor_mm2 is None else wiring.conductor_mm2
            return changed(machine, "wiring", conductor_awg=None, conductor_mm2=max(0.9, thinner / by))
        case "hotter":
            return changed(machine, "wiring", ambient_c=min(85.0, (wiring.ambient_c or 30.0) + 10.0 * (by - 1.0)))
        case "bundled":
            return changed(
                machine,
                "wiring",
                installation="bundled",
                bundled_conductors=min(40, round(by * (wiring.bundled_conductors or 2))),
            )
        case "charger":
            return changed(machine, "charger", output_current_a=by * (machine.charger.output_current_a or 10.0))
    return changed(machine, "vehicle", **{how: by * (getattr(vehicle, how) or 50.0)})


HARDER = (
    *("continuous_current_a", "hill_current_a", "hill_s", "implement_start_a", "peak_power_w"),
    *("controller_current_a", "braking_current_a", "braking_s", "thinner", "hotter", "bundled", "charger"),
)


SECTIONS = ("pack", "wiring", "charge_wiring", "vehicle", "charger")
OPTIONAL = [
    (name, section, each.name)
    for name in sorted(FOUND)
    for section in SECTIONS
    for each in fields(getattr(machine_of(name), section))
    if each.name not in ("chemistry", "cells_in_series", "capacity_ah")
    and getattr(getattr(machine_of(name), section), each.name) is not None
]
"""Every key that one of the files states and could leave out."""


@st.composite
def half_stated(draw: st.DrawFn) -> tuple[Machine, str, str, object]:
    """Draw a machine with some keys left out, and one more key that its file states, with its value."""
    name = draw(st.sampled_from(sorted(FOUND)))
    keys = [(section, key) for each, section, key in OPTIONAL if each == name]
    last, *others = draw(st.lists(st.sampled_from(keys), min_size=1, max_size=len(keys), unique=True))
    machine = machine_of(name)
    value = getattr(getattr(machine, last[0]), last[1])
    for section, key in (last, *others):
        machine = changed(machine, section, **{key: None})
    return machine, *last, value


@settings(max_examples=150)
@given(half_stated(), st.sampled_from(HARDER), st.floats(1.0, 5.0), st.floats(1.0, 3.0))
def test_what_is_harder_never_ends_a_stop(
    part: tuple[Machine, str, str, object], how: str, first: float, then: float
) -> None:
    before = worse(part[0], how, first)
    one, other = found(before), found(worse(before, how, then))
    ended = {check for check, each in one.items() if each.verdict == "stop" and other[check].verdict != "stop"}
    if how == "thinner":  # its resistance holds a short circuit down
        ended.discard("fuse-interrupting")
    assert ended == set(), [(one[check].why, other[check].why) for check in ended]


BETTER_KNOWN = {
    # Each replaces a bound or an estimate on the safe side, and may show that there is no danger.
    *("continuous_current_a", "braking_current_a", "peak_power_w"),
    *("peak_discharge_a", "internal_resistance_mohm", "installation", "insulation_c", "input_power_w"),
    *("conductor_mm2", "conductor_awg", "one_way_length_m", "high_cutoff_v", "low_cutoff_v", "minimum_voltage_v"),
    *("previous_mass_kg", "fuse_curve"),
}


@settings(max_examples=150)
@given(half_stated())
def test_stating_a_key_never_weakens_a_warning(part: tuple[Machine, str, str, object]) -> None:
    machine, section, key, value = part
    before, after = found(machine), found(changed(machine, section, **{key: value}))
    warned = {check: each for check, each in before.items() if each.verdict in ("caution", "stop")}
    weaker = [check for check, each in warned.items() if RANK[after[check].verdict] < RANK[each.verdict]]
    assert key in BETTER_KNOWN or weaker == [], [(before[check].why, after[check].why) for check in weaker]
