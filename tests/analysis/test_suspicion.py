"""Marks that the program sets by itself: near the truth on faulty drives, none on sound ones, whatever the cuts."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import cache
from itertools import pairwise
from threading import Event

import numpy as np
import pytest

from telemetry.analysis.fault_isolation.suspicion import MOST_MARKS, SUSPICIONS, EarlierMarks, Suspicion
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.pipeline.stage import Chain
from tests.reference.drives import FEW, faulty_drive

SIGNALS = (*FEW, "pack_voltage")


@cache
def drive_of(fault: str, seed: int):
    return faulty_drive(fault, seed)


def spans_of(drive, step_us=1_000_000, recorded=(), reach=1.0):
    """Yield a drive in spans of ``step_us``."""
    group = Group("machine", "all", tuple(name for name in SIGNALS if name in drive.columns))
    values = np.stack([drive.columns[name] for name in group.signals], axis=1).astype(np.float64)
    rows = Batch(group, drive.t.astype(np.int64), values)
    first, last = 0, -1
    end = int(drive.t[-1] * reach)
    for cut in [*range(step_us, end, step_us), end]:
        stop = int(np.searchsorted(rows.t, cut, side="right"))
        given = tuple(mark for mark in recorded if last < mark.t <= cut)
        pieces = (rows.rows(first, stop),) if stop > first else ()
        yield Span(cut, pieces, given, final=cut == end)
        first, last = stop, cut


def in_time_order(marks):
    return sorted(marks, key=lambda mark: (mark.t, mark.text))


def marks_of(drive, step_us=1_000_000, recorded=(), reach=1.0):
    """Run a drive through a fresh stage; return the marks that came out."""
    stage = Chain([EarlierMarks(), Suspicion()])
    return in_time_order(
        mark for span in spans_of(drive, step_us, recorded, reach) for mark in stage.advance(span).events
    )


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_a_sound_machine_is_never_marked(seed: int) -> None:
    assert marks_of(drive_of("healthy", seed)) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "seed", "words"),
    [
        ("pedal-sensor", 1, "throttle signal dropped out"),
        ("controller", 3, "output dropped, throttle steady"),
        ("bms-trip", 2, "BMS trip"),
        ("power-connection", 2, "high voltage drop to controller"),
        ("pedal-sensor", 3, "throttle signal jittered"),
    ],
)
def test_marks_lie_at_the_true_events(fault: str, seed: int, words: str) -> None:
    drive = drive_of(fault, seed)
    marks = marks_of(drive)
    assert words in {mark.text for mark in marks}
    for mark in marks:
        assert mark.by == "program"
        assert min(abs(mark.t / 1e6 - event.t) for event in drive.events) < 1.0, mark


@pytest.mark.slow
def test_a_controller_that_folds_back_is_marked_once() -> None:
    folding = faulty_drive("controller", 913, seconds=610.0, variant="folds back")
    marks = marks_of(folding, 10**9)
    assert [mark.text for mark in marks] == ["output folded back, throttle steady"]
    assert marks[0].t > 60_000_000


def test_one_of_a_kind_in_ten_seconds_and_no_more_than_thirty() -> None:
    marks = marks_of(drive_of("pedal-sensor", 1))
    assert 3 < len(marks) <= MOST_MARKS
    for words in SUSPICIONS:
        times = [mark.t for mark in marks if mark.text == words]
        assert all(b - a >= 10_000_000 for a, b in pairwise(times))


@pytest.mark.parametrize(("fault", "seed"), [("power-connection", 2), ("controller", 3), ("pedal-sensor", 3)])
def test_marks_do_not_depend_on_the_cuts(fault: str, seed: int) -> None:
    drive = drive_of(fault, seed)
    usual = marks_of(drive)
    assert usual
    for step in (100_000, 7_100_000, 10**9):
        assert marks_of(drive, step) == usual


@pytest.mark.parametrize(("fault", "seed"), [("power-connection", 2), ("controller", 3)])
def test_no_row_of_a_live_run_waits_for_a_judgement_and_the_marks_are_the_same(fault: str, seed: int) -> None:
    drive, may_judge = drive_of(fault, seed), Event()
    *spans, final = spans_of(drive)
    with ThreadPoolExecutor(1) as beside:
        beside.submit(may_judge.wait, 300)
        stage = Suspicion(beside)
        assert [mark for span in spans for mark in stage.advance(span).events] == []
        may_judge.set()
        assert in_time_order(stage.advance(final).events) == marks_of(drive)


def test_a_replay_makes_them_anew_and_keeps_the_drivers_own() -> None:
    drive = drive_of("bms-trip", 2)
    usual = marks_of(drive)
    own = [Mark(5_000_000, "BMS trip"), Mark(6_000_000, "clock set", "program")]
    assert any(", 2 so far" in mark.text for mark in usual)
    assert marks_of(drive, recorded=[*own, *usual]) == in_time_order([*own, *usual])


@pytest.mark.parametrize("volts", [0.0, 5.0, float("nan")])
@pytest.mark.parametrize("noise", [0.0, 0.004])
def test_a_pedal_that_is_not_connected_is_not_marked(volts: float, noise: float) -> None:
    t = np.arange(0, 60_000_000, 100_000)
    random = np.random.default_rng(7)
    group = Group("machine", "all", ("throttle_voltage", "pack_current", "discharge_allowed"))
    columns = [volts + random.normal(0.0, noise, len(t)), random.uniform(0.0, 40.0, len(t)), np.ones(len(t))]
    stage = Suspicion()
    span = stage.advance(Span(60_000_000, (Batch(group, t, np.stack(columns, axis=1)),), final=True))
    assert span.events == ()
