"""Every live figure and alarm of some recordings, held to what it was: a change shows as a change of figures.

``python -m tests.pipeline.test_exact_live`` takes them anew. Read each difference, as for the figures afterwards.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from telemetry.alarms.rules import rules_for
from telemetry.machine.limits import limits_for
from telemetry.machine.machine_file import Machine
from telemetry.model.batch import Batch, Span
from telemetry.model.recording import Recording
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from tests.kept_answers import KeptAnswers, reference_pack, session

EVERY_S, FEW = 120.0, 40
HOLE = (600_000_000, 1_300_000_000)
CASES: Mapping[str, Callable[[], tuple[Recording, Machine]]] = {
    "orchard-mow": lambda: session("orchard-mow", "orchard"),
    "evening-charge": lambda: session("evening-charge", "orchard"),
    "market-round": lambda: session("market-round", "market"),
    "market-round-with-a-hole": lambda: session("market-round", "market"),
    "lfp16_wide_low_capacity_1hz": lambda: reference_pack("lfp16_wide_low_capacity_1hz"),
    "nmc14_wide_low_capacity_1hz": lambda: reference_pack("nmc14_wide_low_capacity_1hz"),
    "nmc14_mow_joint_cold_10hz": lambda: reference_pack("nmc14_mow_joint_cold_10hz"),
}


def without_the_hole(span: Span, start: int) -> Span:
    kept = []
    for batch in span.batches:
        rows = (batch.t - start < HOLE[0]) | (batch.t - start >= HOLE[1])
        kept.append(Batch(batch.group, batch.t[rows], batch.values[rows]))
    return replace(span, batches=tuple(batch for batch in kept if len(batch.t)))


def found(case: str) -> Any:
    """Return each signal that the stages made, some rows of it, and what they found."""
    recording, machine = CASES[case]()
    stages = standard_stages(Judge(limits_for(machine), rules_for(machine)), machine)
    rows: dict[str, tuple[list[np.ndarray], list[np.ndarray]]] = {}
    events: list[dict[str, Any]] = []
    end = recording.start
    for span in (*recording.spans(), None):
        if span is not None and "hole" in case:
            span = without_the_hole(span, recording.start)
        end = end if span is None else span.end
        done = stages.advance(Span(end, final=True) if span is None else span)
        events += [{"kind": type(event).__name__, **asdict(event)} for event in done.events if not event.is_input]
        given = {batch.group.key for batch in span.batches} if span is not None else set()
        for batch in done.batches:
            if batch.group.key in given:
                continue
            for signal, column in zip(batch.group.signals, batch.values.T, strict=True):
                told = rows.setdefault(f"{batch.group.key[1]}.{signal}", ([], []))
                told[0].append((batch.t - recording.start) / 1e6)
                told[1].append(column)
    return {"signals": {name: few_of(*map(np.concatenate, told)) for name, told in rows.items()}, "events": events}


def few_of(seconds: np.ndarray, values: np.ndarray) -> list[list[float | None]]:
    """Return every row of a signal that has few, else the first of every two minutes and the last."""
    periods = np.flatnonzero(np.diff(seconds // EVERY_S, prepend=-1))
    places = range(len(seconds)) if len(seconds) <= FEW else [*periods.tolist(), len(seconds) - 1]
    known = np.isfinite(values)
    return [[float(seconds[at]), float(f"{values[at]:.6g}") if known[at] else None] for at in places]


KEPT = KeptAnswers(Path(__file__).parent / "exact_live", found)


@pytest.mark.parametrize("case", CASES)
def test_no_live_figure_changes_unseen(case: str) -> None:
    assert KEPT.differences(case) == []


if __name__ == "__main__":
    KEPT.take_anew(CASES)
