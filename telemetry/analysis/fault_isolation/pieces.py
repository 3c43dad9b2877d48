"""A long drive in pieces of some minutes, so that what each part does is learnt from what it did about then.

What is learnt of a drive (the pedal's answer, the resistance, other consumers) holds for some minutes: the machine
warms up, the ground changes, the pack empties. And what happens by chance once in ten drives of three minutes is sure
to happen in an hour. So a long drive is judged piece by piece, and the pieces have to agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import ceil, exp, log

import numpy as np

from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.series import Series, SessionSeries

PIECE_S, LONGEST_S = 300.0, 450.0
"""Usual length of a piece; up to the longest a drive is one piece."""
_SEVERAL = 1 / 3
"""A fault shows in about so many pieces, in those where it is worst."""
_ONE_ALONE = 4.0
"""By so much more, in log odds, one piece alone has to speak for a fault: a pack is weak at the end only."""


def pieces(series: SessionSeries) -> Iterator[SessionSeries]:
    """Yield the drive in equal pieces; their times count from where those of the whole do."""
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


def together(evidence: Sequence[Mapping[Cause, float]]) -> dict[Cause, float]:
    """Return the evidence of all pieces for each cause, as log odds.

    Drag and its opposite, the slopes, are there all along, so the mean over the pieces counts. Of all else it is the
    mean over those where it is worst, or one piece alone where that says much more.
    """
    worst = max(1, round(_SEVERAL * len(evidence)))
    found: dict[Cause, float] = {}
    for cause in CAUSES:
        scores = sorted((each[cause] for each in evidence), reverse=True)
        if cause == "mechanical-drag":
            found[cause] = sum(scores) / len(scores)
            continue
        top = scores[0]
        alone = top + log(sum(exp(score - top) for score in scores) / len(scores)) - _ONE_ALONE
        found[cause] = max(sum(scores[:worst]) / worst, alone)
    return found
