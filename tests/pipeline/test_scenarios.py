"""Sixty labelled scenarios and thirty sound ones through the whole chain: each event alarmed in time, nothing else.

Machines are simulated for one to three minutes, and read at 1 to 20 Hz, with and without throttle, controller
voltage and flags. The truth is the simulator's own: when its pack opened, when its power path opened, when its flag
fell, from when a copy of a sound drive was frozen, how much heat its joint made. Thresholds were set on seeds 1000 to
1003 (faulty) and 2000 to 2059 (sound); none of those is used here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from itertools import cycle

import numpy as np
import pytest

from drivers.simulated.course import Leg
from drivers.simulated.electronics import Guard
from drivers.simulated.faults.catalogue import fault_of
from drivers.simulated.machine_files import machine_file
from drivers.simulated.scenarios import Scenario
from drivers.simulated.varied import lively, varied_scenario
from telemetry.machine.limits import limits_for
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages
from tests.reference.drives import Drive, faulty_drive

pytestmark = pytest.mark.slow

OURS = ("discharge-disabled", "supply-lost", "charge-disabled", "source-frozen", "joint-heating")
IN_TIME_S = 0.5
STEP_S = 0.05
"""The simulator notes an event at the end of its step, up to so much after the row that shows it."""
FROZEN_AT, FROZEN_S = 120, 54.0
"""When a pack is frozen, s, and the slowest that docs/figures.md gives for finding it."""
JOINT_S = 40.0
"""Three blocks of joint heating, and one block of delay; beyond 1.5 times the warn bound it is plain."""

TRIPS = (7101, 7102, 7104, 7106, 7109, 7111)
OPENS = (7203, 7204, 7208, 7210, 7212)
BRAKES, CHARGES = (7301, 7302), (7311, 7312)
FREEZES = (7401, 7402, 7403)
JOINTS = (7522,)
STANDS = (7601, 7602)
SOUND = tuple(range(7701, 7711))
"""Faulty seeds are those of a range whose fault shows at once, so that no drive has to be drawn anew."""
FAST, SLOW = 20, 10
"""Rows a second as simulated; the slower ones are every second, fourth and so on of them."""

BMS = ("pack_voltage", "pack_current", "discharge_allowed", "charge_allowed", "cell_min_voltage", "cell_max_voltage")
VEHICLE = ("throttle_voltage", "controller_voltage", "vehicle_speed", "implement_engaged", "enable_voltage")
ALL = (*BMS, *VEHICLE)
WITHOUT_THROTTLE = tuple(name for name in ALL if name != "throttle_voltage")
WITHOUT_FLAGS = tuple(name for name in ALL if not name.endswith("allowed"))
VOLTAGES = ("pack_voltage", "pack_current", "controller_voltage")
THROTTLE = ("pack_voltage", "pack_current", "throttle_voltage")
PLAIN = ("pack_voltage", "pack_current", "discharge_allowed", "charge_allowed")
VIEWS = {
    "all": ALL,
    "no throttle": WITHOUT_THROTTLE,
    "no flags": WITHOUT_FLAGS,
    "voltages": VOLTAGES,
    "throttle": THROTTLE,
    "plain": PLAIN,
}


@dataclass(frozen=True)
class Told:
    """One alarm as raised and cleared, s; ``until`` is infinite where it was not cleared."""

    limit: str
    at: float
    until: float


@dataclass(frozen=True)
class Wanted:
    """An event: which alarms may speak for it, from when, and until when one of them must stand, s."""

    limits: tuple[str, ...]
    at: float
    by: float
    over: float


@dataclass(frozen=True)
class Case:
    """One scenario: what it is called, the drive, the rate and the signals, and what has to be alarmed."""

    name: str
    seed: int
    rate: int
    view: str
    sound: bool = False

    def __str__(self) -> str:
        return f"{self.name} {self.seed} {self.rate} Hz {self.view}".replace(" ", "-")


@cache
def drive_of(name: str, seed: int) -> Drive:
    """Simulate the drive behind a case; the same one serves several rates and views."""
    what = varied_scenario(seed)
    if name == "trip":
        return _drive("bms-trip", seed, 50.0, ("over-current", "over-current until released")[seed % 2])
    if name == "open":
        variant = ("opens when shaken", "opens for good")[seed % 2]
        return _drive("power-connection", seed, 100.0 if seed % 2 else 60.0, variant)
    if name == "braking":
        controller = replace(what.controller, brake_current_a=0.5 * what.controller.motor_current_a)
        return _drive("bms-trip", seed, 60.0, "braking above the charge limit", replace(what, controller=controller))
    if name == "charging":
        hot = Guard(what.air_c - 5.0, what.air_c - 8.0, "high", 30.0, 9e9)
        return _drive("healthy", seed, 45.0, None, _on_charge(what, soc=0.6, hot_charge=hot))
    if name == "full":  # the BMS ends the charge where an ordinary one ends
        top = 3.62 if what.cells.chemistry == "lfp" else 4.16
        high = Guard(top, top - 0.2, "high", 1.0, 9e9)
        return _drive("healthy", seed, 45.0, None, _on_charge(what, soc=0.99, cell_high=high))
    if name == "asleep":  # a guard that any cell is beyond opens the discharge switch after the machine has stopped
        electronics = replace(what.electronics, cell_low=Guard(9.0, 9.1, "low", 40.0, 9e9))
        stops = (Leg(8.0, 0.0, 5.0), Leg(5.0, 0.0, 3.0, pause_s=999.0))
        return _drive("healthy", seed, 60.0, None, replace(what, electronics=electronics, legs=stops))
    if name == "joint":
        return _drive("power-connection", seed, 100.0, "resists and heats")
    if name == "frozen":
        return _drive("healthy", seed, FROZEN_AT + FROZEN_S + 1.0, rate=SLOW)
    return _drive("healthy", seed, 50.0)


def _drive(
    fault: str,
    seed: int,
    seconds: float,
    variant: str | None = None,
    scenario: str | Scenario = "varied",
    rate: float = FAST,
) -> Drive:
    return faulty_drive(fault, seed, seconds, rate, scenario, variant, must_show=False)


def _on_charge(what: Scenario, soc: float, **guards: Guard) -> Scenario:
    """The machine parked on a charger that lifts its cells beyond full, if the BMS lets it."""
    charger = replace(what.charger, voltage_v=(3.7 if what.cells.chemistry == "lfp" else 4.25) * what.cells.count)
    electronics = replace(what.electronics, charge_current=Guard(9e9, 5.0, "high", 3.0, 15.0), **guards)
    return replace(what, soc=soc, electronics=electronics, charger=charger, charges_at_once=True)


def columns_of(case: Case) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Times, int microseconds, and the columns of the case's view at its rate."""
    drive = drive_of(case.name, case.seed)
    step = (SLOW if case.name == "frozen" else FAST) // case.rate
    columns = {name: drive.columns[name][::step] for name in VIEWS[case.view] if name in drive.columns}
    return drive.t[::step].astype(np.int64), columns


def frozen_from(t: np.ndarray, columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The same with the values of the BMS as they were at ``FROZEN_AT`` from then on."""
    row = int(np.searchsorted(t, FROZEN_AT * 1_000_000))
    later = dict(columns)
    for name in BMS:
        values = columns[name]
        last = values[: row + 1][~np.isnan(values[: row + 1])][-1]
        later[name] = np.where((np.arange(len(t)) > row) & ~np.isnan(values), last, values)
    return later


def told_of(case: Case) -> list[Told]:
    """The alarms of ours that the chain raised, by a machine file as the owner would have it."""
    t, columns = columns_of(case)
    if case.name == "frozen":
        columns = frozen_from(t, columns)
    machine, _ = parse_machine(machine_file("varied", case.seed), "machine.toml")
    chain = standard_stages(judge_for(machine), machine)
    groups = {"bms": [n for n in columns if n in BMS], "vehicle": [n for n in columns if n in VEHICLE]}
    batches = [
        Batch(Group(source, "all", tuple(names)), t, np.column_stack([columns[name] for name in names]).astype(float))
        for source, names in groups.items()
        if names
    ]
    events, first = [], 0
    for cut in range(len(t) // 4, len(t) + len(t) // 4, len(t) // 4):
        stop = min(cut, len(t))
        if stop > first:
            pieces = tuple(batch.rows(first, stop) for batch in batches)
            events += chain.advance(Span(int(t[stop - 1]), pieces, final=stop == len(t))).events
        first = stop
    return _spans(event for event in events if isinstance(event, AlarmChange) and event.limit in OURS)


def _spans(changes: Iterable[AlarmChange]) -> list[Told]:
    open_at: dict[tuple[str, str], float] = {}
    told = []
    for change in sorted(changes, key=lambda each: each.t):
        key, at = (change.limit, change.signal), change.t / 1e6
        if change.state == "raised":
            open_at.setdefault(key, at)
        elif change.state == "cleared" and key in open_at:
            told.append(Told(change.limit, open_at.pop(key), at))
    return sorted([*told, *(Told(key[0], at, float("inf")) for key, at in open_at.items())], key=lambda each: each.at)


def wanted_of(case: Case) -> list[Wanted]:
    """What has to be alarmed, by the simulator's truth and by the first row of this view that shows it."""
    if case.sound:
        return []
    t, columns = columns_of(case)
    seconds = t / 1e6
    if case.name == "frozen":
        return [Wanted(("source-frozen",), FROZEN_AT, FROZEN_AT + FROZEN_S, float("inf"))]
    if case.name == "joint":
        return _joint(case.seed)
    if case.name in ("braking", "charging"):
        allowed = columns["charge_allowed"]
        fell = [float(seconds[row]) for row in np.flatnonzero((allowed[1:] < 0.5) & (allowed[:-1] >= 0.5)) + 1]
        return [Wanted(("charge-disabled",), at, at + IN_TIME_S, at + 1.0) for at in fell]
    drive = drive_of(case.name, case.seed)
    wanted = []
    for event in drive.events:
        if event.what.startswith(("pack opened", "power connection open")):
            shown = _shown(case.view, seconds, columns, event.t, event.duration)
            if shown is not None and _under_load(drive, case.view, event.t):
                limits = ("discharge-disabled", "supply-lost")
                wanted.append(Wanted(limits, event.t, shown + IN_TIME_S, event.t + event.duration + 1.5))
    return wanted


def _shown(
    view: str, seconds: np.ndarray, columns: Mapping[str, np.ndarray], at: float, lasts: float
) -> float | None:
    """The time of the first row of a view that shows an event; None where no row does."""
    during = (seconds >= at - 1e-6) & (seconds <= at + lasts)
    if "discharge_allowed" in columns and (columns["discharge_allowed"][during] < 0.5).any():
        rows = during & (columns["discharge_allowed"] < 0.5)
    elif "controller_voltage" in columns:
        # At 1 Hz no row may lie between the first load and its loss; such a view does not show that there was a load.
        current, just_before = columns["pack_current"], (seconds < at) & (seconds >= at - 1.1)
        if not (current[just_before] > 0.1 * current.max()).any():
            return None
        rows = during & (columns["controller_voltage"] < 0.75 * columns["pack_voltage"])
    elif view == "throttle" and lasts > 0.5 and float(np.median(np.diff(seconds))) < 0.11:
        rows = during
    else:
        return None
    found = np.flatnonzero(rows)
    return float(seconds[found[0]]) if len(found) else None


def _under_load(drive: Drive, view: str, at: float) -> bool:
    """Whether current flowed under the foot just before; under a still foot, where only the throttle tells."""
    seconds, current, volts = drive.t / 1e6, drive.columns["pack_current"], drive.columns["throttle_voltage"]
    before = current[(seconds >= at - 0.3) & (seconds < at - 0.06)]
    travel = (volts - volts.min()) / np.ptp(volts)
    around = travel[(seconds >= at - 0.5) & (seconds < at + 0.5)]
    if not len(before) or before.min() < 0.1 * current.max() or around.min() < 0.1:
        return False
    level = current[(seconds >= at - 1.2) & (seconds < at - 0.06)].mean()
    still = around.min() > 0.2 and float((np.maximum.accumulate(around) - around).max()) < 0.02
    return view != "throttle" or (still and before.min() > 0.8 * level and before.min() > 0.35 * current.max())


def _joint(seed: int) -> list[Wanted]:
    """When the joint's heat, its resistance by design times the square of the current, has been plain for 30 s."""
    drive = drive_of("joint", seed)
    what = lively(varied_scenario(seed), seed)
    ohm = fault_of("power-connection", seed, what, "resists and heats").rest_ohm
    machine, _ = parse_machine(machine_file("varied", seed), "machine.toml")
    warn = next(limit.warn for limit in limits_for(machine) if limit.name == "joint-heating")
    heat = ohm * drive.columns["pack_current"] ** 2
    blocks = heat[: len(heat) // 600 * 600].reshape(-1, 600).mean(axis=1)  # of 30 s
    plain = np.flatnonzero(blocks > 1.5 * warn)
    return [] if not len(plain) else [Wanted(("joint-heating",), 0.0, 30.0 * (plain[0] + 1) + JOINT_S, float("inf"))]


def _cases() -> list[Case]:
    cases = []
    for seed, rates in zip(TRIPS, cycle(((20, 5), (10, 1), (2, 10))), strict=False):
        for rate, view in zip(rates, ("all", "plain") if seed % 2 else ("no throttle", "no flags"), strict=True):
            cases.append(Case("trip", seed, rate, view))
    for seed, rates in zip(OPENS, cycle(((20, 10), (10, 20), (5, 1))), strict=False):
        for rate, view in zip(rates, ("all", "voltages") if seed % 2 else ("no flags", "no throttle"), strict=True):
            cases.append(Case("open", seed, rate, view))
    cases += [Case("open", seed, 2, "voltages") for seed in OPENS]
    cases.append(Case("open", OPENS[1], 20, "voltages"))
    cases += [Case("trip", seed, rate, "throttle") for seed, rate in zip(TRIPS, cycle((10, 20)), strict=False)]
    for name, seeds in (("braking", BRAKES), ("charging", CHARGES)):
        cases += [Case(name, seed, rate, view) for seed in seeds for rate, view in ((10, "all"), (1, "plain"))]
    cases += [Case("frozen", seed, rate, "all") for seed in FREEZES for rate in (10, 5)]
    cases += [Case("joint", seed, rate, "all") for seed in JOINTS for rate in (10, 5, 2, 1)]
    for name in ("asleep", "full"):
        cases += [Case(name, seed, rate, "all", sound=True) for seed in STANDS for rate in (10, 1)]
    return cases


def _sound_cases() -> list[Case]:
    rates, views = cycle((20, 10, 5, 2, 1)), cycle(VIEWS)
    return [Case("sound", seed, next(rates), next(views), sound=True) for seed in SOUND for _ in range(3)]


CASES, SOUND_CASES = _cases(), _sound_cases()


def misses(case: Case) -> list[str]:
    """What went wrong, a line each: an event without an alarm in time, an alarm without an event."""
    told, wanted = told_of(case), wanted_of(case)
    lines = [
        f"{case}: {' or '.join(each.limits)} at {each.at:.2f} s not by {each.by:.2f} s"
        for each in wanted
        if not any(a.limit in each.limits and a.at <= each.by and a.until >= each.at for a in told)
    ]
    lines += [
        f"{case}: {alarm.limit} at {alarm.at:.2f} s, no such event"
        for alarm in told
        if not any(
            alarm.limit in each.limits and each.at - STEP_S <= alarm.at <= each.over for each in _true(case, wanted)
        )
    ]
    return lines


def _true(case: Case, wanted: list[Wanted]) -> list[Wanted]:
    """Events that may be alarmed: those that must be, and those that this view shows too faintly to insist."""
    if case.sound:
        return []
    drive, any_of = drive_of(case.name, case.seed), ("discharge-disabled", "supply-lost")
    if case.name == "open":  # a joint that opens is a poor one, and may heat as well
        wanted = [*wanted, Wanted(("joint-heating",), 0.0, 0.0, float("inf"))]
    return [*wanted, *(Wanted(any_of, e.t, e.t, e.t + e.duration + 1.5) for e in drive.events)]


def test_there_are_sixty_scenarios_and_thirty_sound_drives() -> None:
    assert (len(CASES), len(SOUND_CASES)) == (60, 30)
    assert len({str(case) for case in (*CASES, *SOUND_CASES)}) == 90


@pytest.mark.parametrize("name", ["trip", "open", "braking", "charging", "frozen", "joint"])
def test_each_sort_of_fault_has_events_to_alarm(name: str) -> None:
    """An empty list of events would let everything pass."""
    cases = [case for case in CASES if case.name == name]
    assert sum(len(wanted_of(case)) for case in cases) >= len(cases)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_every_event_is_alarmed_in_time_and_nothing_else(case: Case) -> None:
    assert misses(case) == []


@pytest.mark.parametrize("case", SOUND_CASES, ids=str)
def test_a_sound_machine_raises_none_of_them(case: Case) -> None:
    assert misses(case) == []
