"""What each session came to, for the list of sessions: made in a process of its own, kept in the store.

``python -m telemetry.runs.outcomes STORE`` makes those that are missing, the newest first, and prints each as a line
of JSON; it ends when nobody reads them any more. So a screen never waits for it, nor does a recording.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from telemetry.analysis.session_figures import SessionFigures
from telemetry.analysis.session_power import Flow
from telemetry.model.errors import ShakedownError, StoreError
from telemetry.report.numbers import figure
from telemetry.report.session_model import Report
from telemetry.runs.judged import judged
from telemetry.runs.program import program_version
from telemetry.store.outcomes import Outcome, OutcomeWord, PowerColumn, keep_outcome, kept_outcomes, outcome_text
from telemetry.store.reader import SessionRecord, StoreReader

COLUMNS = 240
"""Stretches that the power is kept in: more than a wide window has columns."""


def missing(store: Path) -> list[SessionRecord]:
    """Return the sessions that have ended and of which no outcome is kept, the newest first; none of the bench.

    Raises:
        StoreError: the store cannot be read.

    """
    kept = kept_outcomes(store, program_version())
    with StoreReader.open(store) as reader:
        records = reader.sessions()
    return [
        record
        for record in reversed(records)
        if record.ended is not None and record.origin != "bench" and record.id not in kept
    ]


def outcome_of(session: int, store: Path) -> Outcome:
    """Return what ``session`` came to; one that cannot be read says why."""
    try:
        found = judged(str(session), store)
    except ShakedownError as error:
        repair = "If it stays so, save what can be read: shakedown repair names the file."
        return Outcome(session, "NOT READABLE", "see below", str(error), repair)
    if not found.series.signals:
        links = "Look at the links (view 5) in the next run, before you drive."
        return Outcome(session, "NO VALUES", "nothing was recorded", "No value was recorded in this session.", links)
    report = found.report
    totals = report.totals
    out, into = totals.energy_out_wh, totals.energy_in_wh
    word, why, then = _word(report), report.why, report.next
    reason = report.verdict_reason
    if word == "CHARGED":
        why = "" if report.soc.end_pct is None else f"to {report.soc.end_pct:.0f} %"
        reason, then = report.verdict[0], "Nothing to do."
    return Outcome(
        session,
        word,
        why,
        reason,
        then,
        None if out is None or into is None else out - into,
        tuple(_figures(report)),
        power_columns(found.figures),
    )


def _word(report: Report) -> OutcomeWord:
    """Return the verdict; a charge with nothing against it is no drive of which too little was seen."""
    is_fine = report.verdict_word == "NOT ENOUGH SEEN" and report.charge_only and not report.findings
    return "CHARGED" if is_fine else report.verdict_word


def _figures(report: Report) -> list[tuple[str, str]]:
    totals, soc = report.totals, report.soc
    lowest = {row.key: row for row in report.parts}
    found = [
        ("out", figure(totals.energy_out_wh, "Wh")),
        ("back", figure(totals.energy_in_wh, "Wh") if report.charge_only or _came_back(report) else ""),
        ("peak", figure(totals.peak_power_w, "W")),
        *((label, row.seen) for key, label in _PARTS.items() if (row := lowest.get(key)) is not None),
        ("ends at", figure(soc.end_pct, "%", soc.end_uncertainty_pct)),
    ]
    if report.charge_only:
        found = [each for each in found if each[0] not in ("out", "peak")]
        found[0] = ("in", found[0][1])
    return [(label, value) for label, value in found if value and value != figure(None, "")]


def _came_back(report: Report) -> bool:
    """Tell whether so much came back by braking that it is worth a figure."""
    share = report.totals.returned_share_pct
    return share is not None and share >= 1.0


_PARTS = {"pack-low-voltage": "lowest", "lowest-cell": "lowest cell", "pack-temperature": "hottest"}


def power_columns(figures: SessionFigures) -> tuple[PowerColumn, ...]:
    """Return lowest and highest power of each of :data:`COLUMNS` equal stretches of the session, W.

    A stretch without a value between two of one unbroken curve (samples rarer than stretches) takes what lies on
    either side of it; a gap stays one.
    """
    flow = figures.power.power
    start, end = figures.series.start, figures.series.end
    if flow is None or end <= start or figures.sign_is_wrong:
        return ()
    edges = np.linspace(start, end, COLUMNS + 1)
    first, last = np.searchsorted(flow.t, edges[:-1], "left"), np.searchsorted(flow.t, edges[1:], "right")
    return tuple(_column(flow, int(a), int(b)) for a, b in zip(first, last, strict=True))


def _column(flow: Flow, first: int, last: int) -> PowerColumn:
    if first >= last:  # no row in it: the stretch from the row before to the row after, where that is no gap
        if not 0 < first < len(flow.t) or not flow.bridged[first]:
            return None
        first, last = first - 1, first + 1
    values = flow.values[first:last]
    return round(float(values.min()), 1), round(float(values.max()), 1)


def main(arguments: Sequence[str]) -> int:
    """Make the outcomes that are missing in the store of that name; return the exit status."""
    store = Path(arguments[0])
    if hasattr(os, "nice"):
        os.nice(10)  # a recording and a screen come first
    try:
        waiting = missing(store)
        for record in waiting:
            outcome = outcome_of(record.id, store)
            with suppress(StoreError):  # on a read-only medium nothing can be kept, and it is shown all the same
                keep_outcome(store, outcome, program_version(), record.digest)
            sys.stdout.write(outcome_text(outcome) + "\n")
            sys.stdout.flush()
    except (StoreError, BrokenPipeError, KeyboardInterrupt):
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
