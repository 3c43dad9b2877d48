"""What sources gave in turn, as one: each signal through its hand-overs, with the instruments' differences taken out.

Two instruments never agree: one shunt has another offset than the next. Left in, a hand-over looks like a step of the
load or the charge. Before and after it both were heard, one under the signal's own name and the other aside; the
median of their differences at those times is what the later source is brought to the first by. A difference of
current counts only at rest, where a wrong gain adds nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from telemetry.model.batch import MICROSECONDS, Batch, Group, Times, Values, in_turn, kept_aside, merged
from telemetry.model.signals import find_signal

LEAST_TOGETHER = 20
"""Readings of both by which a difference is judged; ours."""
_TOGETHER = MICROSECONDS
"""Between readings of the first no farther apart it is interpolated, microseconds; ours."""
_REST_A = 2.0
"""Above this current a difference may come from gain, not offset; ours."""
_LEVELLED = ("V", "A")
"""Units of what has an offset worth taking out; of the rest a mean of two is no better."""


def joined_turns(groups: Sequence[Batch]) -> list[Batch]:
    """Return measured batches with signals given in turn moved into the group of their first source.

    Args:
        groups: the whole recording, one batch a group, in the order of their first rows.
    """
    shared = in_turn(batch.group for batch in groups)
    if not shared:
        return list(groups)
    rest = {batch.group.key: batch for batch in groups}
    moved: dict[tuple[str, str], list[Batch]] = defaultdict(list)
    for signal in sorted(shared):
        givers = _givers(groups, signal)
        for first, later in zip(givers[:1] * len(givers), givers[1:], strict=False):
            t, values = _known(later, signal)
            values = values + _difference(first, later, signal)
            group = Group(first.group.source, first.group.name, (signal,))
            moved[first.group.key].append(Batch(group, t, values[:, None]))
            rest[later.group.key] = _without(rest[later.group.key], signal)
    for key, pieces in moved.items():
        rest[key] = merged([rest[key], _side_by_side(pieces)])
    return list(rest.values())


def _givers(groups: Sequence[Batch], signal: str) -> list[Batch]:
    """Return the batches that know ``signal``, the first of each source, in the order in which they first did."""
    found = [batch for batch in groups if signal in batch.group.signals and len(_known(batch, signal)[0])]
    found.sort(key=lambda batch: int(_known(batch, signal)[0][0]))
    return list({batch.group.source: batch for batch in reversed(found)}.values())[::-1]


def _known(batch: Batch, signal: str) -> tuple[Times, Values]:
    column = batch.column(signal)
    assert column is not None
    known = ~np.isnan(column)
    return batch.t[known], column[known]


def _without(batch: Batch, signal: str) -> Batch:
    values = batch.values.copy()
    values[:, batch.group.signals.index(signal)] = np.nan
    return Batch(batch.group, batch.t, values)


def _side_by_side(pieces: Sequence[Batch]) -> Batch:
    """Return the rows of one group's signals, those of one time in one row."""
    group = Group(pieces[0].group.source, pieces[0].group.name, ()).widened(p.group.signals[0] for p in pieces)
    times = np.unique(np.concatenate([piece.t for piece in pieces]))
    values = np.full((len(times), len(group.signals)), np.nan)
    for piece in pieces:
        values[np.searchsorted(times, piece.t), group.signals.index(piece.group.signals[0])] = piece.values[:, 0]
    return Batch(group, times, values)


def _difference(first: Batch, later: Batch, signal: str) -> float:
    """Return by how much the first source's reading is the higher, in the signal's unit; 0 where it is not known."""
    known = find_signal(signal)
    if known is None or known.unit not in _LEVELLED:
        return 0.0
    found = [
        pair
        for a, b in (
            (signal, kept_aside(later.group.source, signal)),
            (kept_aside(first.group.source, signal), signal),
        )
        if a in first.group.signals and b in later.group.signals
        for pair in [_pairs(_known(first, a), _known(later, b))]
    ]
    if not found:
        return 0.0
    ours, theirs = (np.concatenate([pair[side] for pair in found]) for side in (0, 1))
    if known.unit == "A":
        resting = np.abs(ours) < _REST_A
        ours, theirs = ours[resting], theirs[resting]
    return float(np.median(ours - theirs)) if len(ours) >= LEAST_TOGETHER else 0.0


def _pairs(first: tuple[Times, Values], later: tuple[Times, Values]) -> tuple[Values, Values]:
    """Return the readings of both at the later's times, the first's interpolated, where both are of one moment."""
    (t, values), (at, theirs) = first, later
    at, theirs = at[(at > t[0]) & (at <= t[-1])], theirs[(at > t[0]) & (at <= t[-1])]
    right = np.searchsorted(t, at)
    near = t[right] - t[right - 1] <= _TOGETHER
    return np.interp(at[near], t, values), theirs[near]
