"""Name the part that makes a machine hesitate, from a recorded drive."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import ceil, exp, log

import numpy as np

from telemetry.analysis.cell_findings import CellFindings
from telemetry.analysis.fault_isolation.checks import cell_checks, missing_signals, next_checks, not_covered
from telemetry.analysis.fault_isolation.compare import Comparison, compare
from telemetry.analysis.fault_isolation.drive import SHORTEST_S, RowSpan, usable_evidence
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause, FaultEvent, Isolation, RankedCause
from telemetry.analysis.fault_isolation.observations import observe
from telemetry.analysis.fault_isolation.readings import Readings, evidence_of_readings
from telemetry.analysis.fault_isolation.reasons import reasons
from telemetry.analysis.series import Series, SessionSeries, with_extreme_cells
from telemetry.machine.sections import Machine

SOUND = 0.4
"""Prior of a sound machine for somebody who looks because it hesitates; each part gets an equal share of the rest."""
_SURPRISE, _SURPRISE_SLOW = 0.03, 0.13
"""Something not thought of stays possible, more where readings are slow (``SLOW_S``). Of what would be stated above
0.9 with 0.03 for all, 0 of 177 were wrong at 20 Hz and 4 of 168 at 10 Hz (both simulators' drives of the benchmark's
``choosing`` and ``confidence``); with 0.06, 5 of 22 at 5 Hz (16000 to 16003)."""
LEAST_NAMED, LEAST_NAMED_UNSURE = 0.6, 0.75
SHORT_S, SLOW_S = 150.0, 0.12
"""A part is named from this probability on, and from a higher one in a drive that is shorter than that or was read
more slowly. From 0.7 on, 10 of 192 drives named two parts as they grew from 30 s to 180 s, from 0.75 on 6."""
TIMES_LIKELIER = 2.0
"""A part that is named is so many times as likely as a sound machine, and as any part that cannot be judged."""
LEAST_CLEARED = 0.5
"""Where no part is named and a sound machine is less likely than this, it is not known."""
_TOLD = 0.2
PIECE_S, LONGEST_S = 300.0, 450.0
"""Usual length of a piece of a long drive; up to the longest a drive is one piece: what is learnt of it holds for
some minutes, for the machine warms up, the ground changes, and the pack empties."""


def isolate(
    series: SessionSeries,
    machine: Machine | None = None,
    readings: Readings | None = None,
    earlier: Sequence[float] = (),
    cells: CellFindings | None = None,
) -> Isolation:
    """Judge a drive: which part, with which probability, why, and what to measure next.

    Args:
        series: the recording.
        machine: what the owner states of the machine, or None.
        readings: what was measured by hand, or None.
        earlier: force against the motion over weight on earlier drives of this machine.
        cells: the cell findings of the session, or None.
    """
    series = with_extreme_cells(series)
    parts = [observe(piece) for piece in pieces(series)]
    usable, unusable = usable_evidence(series)
    found = compare(parts, earlier)
    by_hand = dict.fromkeys(CAUSES, 0.0) if readings is None else evidence_of_readings(readings)
    slowest = max(part.drive.slowest_s for part in parts)
    surprise = _SURPRISE if slowest <= SLOW_S else _SURPRISE_SLOW
    chances = _probabilities({cause: found.odds[cause] + by_hand[cause] for cause in CAUSES}, surprise)
    order = sorted(CAUSES, key=lambda cause: -chances[cause])
    known: set[Cause] = {"healthy", *found.covered, *(cause for cause in CAUSES if by_hand[cause] > 0)}
    readable = series.duration_s >= SHORTEST_S and len(known) > 1
    rivals = [chances["healthy"], *(chances[cause] for cause in CAUSES if cause not in known)]
    least = LEAST_NAMED if series.duration_s >= SHORT_S and slowest <= SLOW_S else LEAST_NAMED_UNSURE
    likely = chances[order[0]] >= max(least, TIMES_LIKELIER * max(rivals))
    named = order[0] if readable and likely and order[0] in known else "healthy"
    ranked = []
    for cause in order:
        words = list(reasons(cause, found, machine, earlier))
        if by_hand[cause]:
            words.append(f"the readings by hand speak {'for' if by_hand[cause] > 0 else 'against'} it")
        ranked.append(RankedCause(cause, chances[cause], tuple(words)))
    told = {cause for cause in CAUSES if chances[cause] >= _TOLD or cause == named} - {"healthy"}
    events = sorted((event for event in _events(found) if event.cause in told), key=lambda event: event.t)
    problems = [*unusable, *dict.fromkeys(said for part in parts for said in part.drive.clocks)]
    if len(known) == 1:
        problems.append("neither current nor throttle can be used, so no part is named and none is cleared")
    judged = readable and (named != "healthy" or chances["healthy"] >= LEAST_CLEARED)
    checks = () if cells is None else tuple(cell_checks(cells.odd))
    missing = tuple(missing_signals(usable))
    unknown = None if judged else missing
    following = () if checks and named == "healthy" else tuple(next_checks(named, order, chances, unknown))
    return Isolation(
        named, tuple(ranked), tuple(events), (*checks, *following), missing, tuple(problems),
        judged, found.odds, found.covered, not_covered(found.covered), cells,
    )  # fmt: skip


def pieces(series: SessionSeries) -> Iterator[SessionSeries]:
    """Yield a long drive in equal pieces; their times count from where those of the whole do."""
    count = ceil(series.duration_s / PIECE_S) if series.duration_s > LONGEST_S else 1
    if count == 1:
        yield series
        return
    bounds = np.linspace(series.start, series.end + 1, count + 1).astype(np.int64)
    for start, end in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        signals = {name: part for name, each in series.signals.items() if (part := _between(each, start, end))}
        yield replace(series, start=start, end=end - 1, signals=signals, cells=None, events=())


def _between(series: Series, start: int, end: int) -> Series | None:
    first, last = np.searchsorted(series.t, [start, end]).tolist()
    return Series(series.t[first:last], series.values[first:last]) if last > first else None


def _probabilities(odds: Mapping[Cause, float], surprise: float) -> dict[Cause, float]:
    """Return the probability of every cause; they sum to 1. ``surprise`` is spread over all alike."""
    prior = {cause: SOUND if cause == "healthy" else (1 - SOUND) / (len(CAUSES) - 1) for cause in CAUSES}
    scores = {cause: odds[cause] + log(prior[cause]) for cause in CAUSES}
    top = max(scores.values())
    weights = {cause: exp(scores[cause] - top) for cause in CAUSES}
    total = sum(weights.values())
    return {cause: (1 - surprise) * weights[cause] / total + surprise / len(CAUSES) for cause in CAUSES}


def _events(found: Comparison) -> Iterator[FaultEvent]:
    """Yield everything that happened, with whose doing it is."""
    tripped: tuple[str, Cause] = ("on current", "bms-trip")
    if found.by_voltage > 0:
        tripped = ("at low voltage", "pack-weak")
    for fault in found.pedal:
        what = f"throttle signal: {fault.what}"
        yield FaultEvent(round(fault.t, 3), round(fault.duration, 3), what, "pedal-sensor")
    for o in found.parts:
        rows: list[tuple[RowSpan, str, Cause]] = []
        for each in o.failings:
            low = found.is_low(o, each)
            what = f"output {'stopped' if each.stopped else 'held back'}{' at low voltage' if low else ''}"
            rows.append((each, what, found.low_cause if low else "controller"))
        if o.fold is not None and o.folds_back:
            rows.append((RowSpan(o.fold.start, len(o.drive.t) - 1), "output folds back", "controller"))
        rows += [(loss, f"BMS trip {tripped[0]}", tripped[1]) for loss in o.drawing]
        rows += [(loss, "BMS disabled charge while braking", "bms-trip") for loss in o.braking]
        rows += [(loss, "supply lost, discharge still enabled", "power-connection") for loss in o.openings]
        for span, what, cause in rows:
            yield FaultEvent(round(o.at(span.start), 3), round(span.duration_s, 3), what, cause)
