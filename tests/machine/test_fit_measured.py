"""The worse of both verdicts: what a drive measured beside what the file states; and single changes tried."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from functools import partial
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.fit import CHECKS, Finding, fit
from telemetry.machine.fit.findings import RANK
from telemetry.machine.fit.measured import Drive, Measured, fit_drive
from telemetry.machine.fit.trying import tried
from telemetry.machine.sections import Machine, section_keys
from telemetry.model.errors import InputError, MachineFileError, ShakedownError
from telemetry.report.fit_drive import (
    BRAKING_CHECKS,
    CURRENT_CHECKS,
    POWER_CHECKS,
    PULL_CHECKS,
    RESISTANCE_CHECKS,
    SEEN_ROWS,
)
from tests.machine.test_fit_checks import GONE, machine_of

EVERY_CURRENT_CHECK = tuple(check for checks in CURRENT_CHECKS.values() for check in checks)


def current(amperes: float) -> Measured:
    words = f"{amperes:g} A (thermal average over 30 s) at 0:18:14"
    return Measured("machine", "continuous_current_a", "steady current", amperes, words, EVERY_CURRENT_CHECK)


def power(watts: float) -> Measured:
    return Measured("machine", "peak_power_w", "peak power", watts, f"{watts:g} W at 0:38:48", POWER_CHECKS)


def resistance(mohm: float) -> Measured:
    words = f"{mohm:g} mΩ over 1 s"
    return Measured("pack", "internal_resistance_mohm", "resistance", mohm, words, RESISTANCE_CHECKS)


def pull(amperes: float, seconds: float) -> Measured:
    words = f"{amperes:g} A for {seconds:g} s at 0:38:48"
    return Measured("machine", "hill_current_a", "hard pull", amperes, words, PULL_CHECKS, ("hill_s", seconds))


def braking(amperes: float) -> Measured:
    words = f"{amperes:g} A into the pack for 1 s"
    made = Measured("machine", "braking_current_a", "braking", amperes, words, BRAKING_CHECKS, ("braking_s", 1.0))
    return replace(made, settles=False)


def driven(check: str, changes: dict[str, Any] | None, *measured: Measured, lacking: str = "") -> Finding:
    found = fit_drive(machine_of(changes), Drive(measured, (), lacking), CHECKS)
    return next(each for each in found if each.check == check)


def test_every_check_that_a_figure_is_for_exists() -> None:
    told = (*EVERY_CURRENT_CHECK, *POWER_CHECKS, *RESISTANCE_CHECKS, *SEEN_ROWS.values())
    told = (*told, *PULL_CHECKS, *BRAKING_CHECKS)
    assert set(told) <= set(CHECKS)


def test_a_drive_that_measured_nothing_changes_nothing() -> None:
    machine = machine_of()
    assert fit_drive(machine, Drive(()), CHECKS) == fit(machine)


def test_more_measured_than_stated_is_judged_and_told_beside_it() -> None:
    found = driven("fuse-size", None, current(95.0))
    assert found.verdict == "caution"  # 1.25 times 95 A is more than the fuse of 100 A
    assert "Measured steady current: 95 A (thermal average over 30 s) at 0:18:14, stated 60 A." in found.why


def test_less_measured_than_stated_softens_nothing_and_is_told() -> None:
    found = driven("pack-current", {"pack.continuous_discharge_a": 50}, current(20.0))
    assert found.verdict == "stop"
    assert "stated 60 A" in found.why


def test_an_unknown_is_settled_by_a_drive_that_loaded_the_machine_and_by_no_other() -> None:
    changes = {"machine.continuous_current_a": GONE, "machine.controller_current_a": GONE}
    assert driven("connector", changes).verdict == "unknown"
    settled = driven("connector", changes, current(60.0))
    assert (settled.verdict, settled.value) == ("ok", 60.0)
    assert "not stated" in settled.why
    lacking = "the hardest pull reached only 23 % of the weakest rating"
    left = driven("connector", changes, current(60.0), lacking=lacking)
    assert left.verdict == "unknown"
    assert lacking in left.note
    assert lacking in left.why


def test_a_light_drive_still_shows_what_it_exceeded() -> None:
    changes = {"machine.continuous_current_a": GONE, "machine.controller_current_a": GONE}
    assert driven("connector", changes, current(130.0), lacking="only 48 s under load").verdict == "stop"


def test_a_caution_on_a_bound_is_settled_and_one_on_stated_figures_is_not() -> None:
    bound = {"machine.continuous_current_a": GONE, "machine.controller_current_a": 250}
    assert driven("connector", bound).verdict == "caution"
    assert driven("connector", bound, current(60.0)).verdict == "ok"
    stated = {"machine.continuous_current_a": 110}
    assert driven("connector", stated).verdict == "caution"
    assert driven("connector", stated, current(60.0)).verdict == "caution"


def test_the_hardest_of_several_pulls_counts() -> None:
    changes = {"machine.hill_current_a": GONE, "machine.hill_s": GONE}
    easy, hard = pull(90.0, 1.0), pull(190.0, 60.0)
    assert driven("hill", changes, easy).verdict == "ok"
    for order in ((easy, hard), (hard, easy)):
        found = driven("hill", changes, *order)
        assert found.verdict == "stop"
        assert "Measured hard pull: 190 A for 60 s at 0:38:48, not stated." in found.why


def test_gentle_braking_settles_nothing_and_hard_braking_counts() -> None:
    changes = {"machine.regenerates": True, "machine.controller_current_a": 150}
    assert driven("regeneration", changes).verdict == "caution"
    assert driven("regeneration", changes, braking(5.0)).verdict == "caution"
    assert driven("regeneration", {"machine.regenerates": True}).verdict == "ok"
    hard = driven("regeneration", {"machine.regenerates": True}, braking(160.0))
    assert hard.verdict in ("caution", "stop")
    assert "Measured braking: 160 A into the pack for 1 s, not stated." in hard.why


def test_a_voltage_that_the_drive_reached_counts_by_itself() -> None:
    why = "in the drive, controller, lowest V: 43.0 V at 0:34:49, limit 44.8 V."
    seen = Finding("sag", "stop", 43.0, 44.8, "V", why, "[machine] minimum_voltage_v")
    found = {each.check: each for each in fit_drive(machine_of(), Drive((), (seen,)), CHECKS)}
    assert found["sag"].verdict == "stop"
    assert "43.0 V at 0:34:49" in found["sag"].why
    assert [each for each in found.values() if each.check != "sag"] == [
        each for each in fit(machine_of()) if each.check != "sag"
    ]


@pytest.mark.parametrize(("lacking", "verdict"), [("", "ok"), ("only 48 s under load", "unknown")])
def test_a_finding_of_the_drive_answers_what_the_file_leaves_open(lacking: str, verdict: str) -> None:
    why = "in the drive, 42 A continuous lost 70 mV."
    answer = Finding("voltage-drop", "ok", 0.07, 1.5, "V", why, "3 %")
    machine = machine_of({"wiring.one_way_length_m": GONE})
    drive = Drive((), (), lacking, (answer,))
    found = next(each for each in fit_drive(machine, drive, CHECKS) if each.check == "voltage-drop")
    assert found.verdict == verdict
    assert "42 A continuous" in found.why
    caution = replace(answer, verdict="caution")
    for each in (machine, machine_of()):
        judged = fit_drive(each, replace(drive, answers=(caution,)), CHECKS)
        assert next(one for one in judged if one.check == "voltage-drop").verdict == "caution"


def drives() -> st.SearchStrategy[Drive]:
    figures = st.tuples(
        st.floats(0.1, 900).map(current), st.floats(20, 60_000).map(power), st.floats(0.1, 400).map(resistance),
        st.floats(0.1, 900).map(partial(pull, seconds=1.0)), st.floats(0.1, 900).map(partial(pull, seconds=60.0)),
        st.floats(1, 300).map(braking),
    )  # fmt: skip
    return st.builds(Drive, figures, st.just(()), st.sampled_from(["", "only 48 s under load"]))


def machines() -> st.SearchStrategy[Machine]:
    """Return the good machine with some figures changed or left out, whatever the reader would say of them."""
    good = machine_of()
    vehicle = st.builds(
        partial(replace, good.vehicle),
        continuous_current_a=st.one_of(st.none(), st.floats(1, 400)),
        controller_current_a=st.one_of(st.none(), st.floats(1, 900)),
        peak_power_w=st.one_of(st.none(), st.floats(20, 30_000)),
    )
    pack = st.builds(partial(replace, good.pack), internal_resistance_mohm=st.one_of(st.none(), st.floats(0.5, 100)))
    wiring = st.builds(
        partial(replace, good.wiring),
        insulation_c=st.sampled_from([None, 60, 75, 90]),
        fuse_a=st.sampled_from([None, 30.0, 100.0, 200.0]),
        connector_a=st.sampled_from([None, 40.0, 120.0]),
    )
    return st.builds(partial(replace, good), vehicle=vehicle, pack=pack, wiring=wiring)


@settings(max_examples=60, deadline=None)
@given(machines(), drives())
def test_measured_values_never_soften_a_stop(machine: Machine, drive: Drive) -> None:
    for stated, driven_by in zip(fit(machine), fit_drive(machine, drive, CHECKS), strict=True):
        if stated.verdict == "stop":
            assert driven_by.verdict == "stop", (stated, driven_by)
        if drive.lacking:
            assert RANK[driven_by.verdict] >= RANK[stated.verdict]


KEYS = [
    (section, key)
    for section in ("pack", "wiring", "charge_wiring", "machine", "charger")
    for key in section_keys(section)
]


@pytest.mark.parametrize("name", [f"{section}.{key.name}" for section, key in KEYS])
def test_trying_the_stated_value_changes_nothing(name: str) -> None:
    machine = machine_of()
    section, key = name.split(".")
    stated = getattr(getattr(machine, {"machine": "vehicle"}.get(section, section)), key)
    if stated is None or isinstance(stated, tuple):
        return
    said = str(stated).lower() if isinstance(stated, bool) else str(stated)
    changed, made = tried(machine, [f"{name}={said}"])
    assert made == {name: stated}
    assert fit(changed) == fit(machine)


def test_a_tried_value_is_read_as_people_write_it() -> None:
    machine = machine_of()
    changed, made = tried(machine, ["fuse_a=80 A", "conductor_mm2 = 50", "pack.mass_kg=46,5", "regenerates=no"])
    assert made == {
        "wiring.fuse_a": 80,
        "wiring.conductor_mm2": 50,
        "pack.mass_kg": 46.5,
        "machine.regenerates": False,
    }
    assert (changed.wiring.fuse_a, changed.wiring.conductor_mm2, changed.pack.mass_kg) == (80, 50, 46.5)
    assert changed.vehicle.regenerates is False
    assert changed.charge_wiring == machine.charge_wiring


def test_the_other_way_of_giving_a_size_makes_room_for_the_tried_one() -> None:
    changed, _ = tried(machine_of(), ["conductor_awg=1/0"])
    assert (changed.wiring.conductor_awg, changed.wiring.conductor_mm2) == ("1/0", None)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("fuse_a", "gives no value"),
        ("fuse_a=", "gives no value"),
        ("fuze_a=3", "did you mean fuse_a?"),
        ("mass_kg=3", "write pack.mass_kg or machine.mass_kg"),
        ("pack.fuse_a=3", "write wiring.fuse_a"),
        ("source.driver=x", "unknown key"),
        ("fuse_a=many", "--try, [wiring] fuse_a"),
        ("fuse_a=1e9", "--try, [wiring] fuse_a"),
        ("peak_discharge_a=5", "below continuous_discharge_a of 100 A"),
        ("limits.pack-voltage-low.warn=900", "[limits.pack-voltage-low] warn"),
        ("\x1b[2J=4", "unknown key"),
    ],
)
def test_a_change_that_cannot_be_tried_says_what_to_write(change: str, told: str) -> None:
    with pytest.raises(InputError) as error:
        tried(machine_of(), [change])
    assert told in str(error.value)
    assert "\x1b" not in str(error.value)


def test_all_problems_of_the_changes_are_told_at_once() -> None:
    with pytest.raises(MachineFileError) as error:
        tried(machine_of(), ["fuse_a=1e9", "cells_in_series=0"])
    assert "fuse_a" in str(error.value)
    assert "cells_in_series" in str(error.value)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=30), st.text(max_size=30))
def test_no_change_raises_anything_but_our_errors(key: str, value: str) -> None:
    with contextlib.suppress(ShakedownError):
        tried(machine_of(), [f"{key}={value}", f"fuse_a={value}"])
