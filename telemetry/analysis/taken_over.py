"""What sources gave in turn, as one: each signal through its hand-overs, with the instruments' differences taken out.

Whoever gives it, a signal's values come in the group of the source that gave it first, brought to that one by the
difference learnt while both spoke (see :mod:`telemetry.analysis.source_difference`): one was heard under the signal's
own name and the other aside. Live by what had been learnt by then, afterwards by what was learnt in all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.blocks import HeldRows
from telemetry.analysis.source_difference import BLOCK, LEVELLED, Difference, Learnt, Rows
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values, kept_aside, merged, own_name
from telemetry.model.signals import find_signal

_Key = tuple[str, str]
_NO_ROWS: Rows = np.empty(0, np.int64), np.empty(0)


@dataclass(frozen=True, slots=True)
class TakenOver:
    """What one source gave in place of another.

    Attributes:
        signal: what it gave.
        first, source: who gave it first, and who in its place.
        seconds: for how long, between rows no more than ten seconds apart.
        learnt: what was added to its readings; None where the two never showed it, and nothing was.
    """

    signal: str
    first: str
    source: str
    seconds: float
    learnt: Learnt | None


def joined_turns(groups: Sequence[Batch]) -> tuple[list[Batch], tuple[TakenOver, ...]]:
    """Return measured batches with signals given in turn moved into the group of their first source, and what was.

    Args:
        groups: the whole recording, one batch a group, in the order of their first rows.
    """
    joined = JoinedTurns()
    joined.learn(groups, 2**62)
    return joined.joined(groups, afterwards=True), joined.taken_over(groups)


def sd_left(taken_over: Sequence[TakenOver], signal: str, usual: float, seconds: float) -> float:
    """Return one standard deviation of what hand-overs leave in a signal's mean over a session of ``seconds``.

    Args:
        taken_over: what sources gave in place of others.
        signal: which of it counts.
        usual: what two instruments that were never compared may differ by, one standard deviation.
        seconds: length of the session.
    """
    found = [each for each in taken_over if each.signal == signal]
    return sum(each.seconds * (usual if each.learnt is None else each.learnt.sd) for each in found) / max(
        seconds, 1.0
    )


class JoinedTurns:
    """Moves what sources give in turn into the group of the first of them, as rows come."""

    def __init__(self) -> None:
        self._unmet: dict[_Key, list[str]] = {}
        self._layouts: dict[_Key, Group] = {}
        self._firsts: dict[str, _Key] = {}
        self._givers: dict[tuple[str, str], _Key] = {}
        self._met: dict[tuple[str, str], int] = {}
        self._differences: dict[tuple[str, str], Difference] = {}
        self._moves: dict[_Key, dict[_Key, list[str]]] = {}
        self._held = HeldRows()
        self._due = 0

    def as_of_one(self, span: Span) -> Span:
        """Return ``span`` with its batches as :meth:`joined` has them; itself as long as nothing is given in turn."""
        self.learn(span.batches, span.end)
        return replace(span, batches=tuple(self.joined(span.batches))) if self._moves else span

    def learn(self, batches: Iterable[Batch], end: int) -> None:
        """Take rows up to ``end``: who gives what, and by how much they differ."""
        batches = [batch for batch in batches if len(batch) and batch.group.origin == "measured"]
        self._meet(batches)
        if not self._differences:
            return
        for batch in batches:
            self._held.add(batch)
        if end < self._due:
            return
        horizon = end // BLOCK * BLOCK
        self._due = horizon + BLOCK
        over = self._held.before(horizon)
        for (source, signal), difference in self._differences.items():
            keys = self._firsts[signal], self._givers[source, signal]
            first, other = (_sent(over[key], signal) if key in over else _NO_ROWS for key in keys)
            difference.take(first, other)

    def joined(self, batches: Sequence[Batch], *, afterwards: bool = False) -> list[Batch]:
        """Return the rows of ``batches``, what a later source gave in the group of the first.

        Args:
            batches: that :meth:`learn` has taken.
            afterwards: bring them to the first by all that was learnt, not by what had been learnt at each row.
        """
        if not self._moves:
            return list(batches)
        out: dict[_Key, list[Batch]] = {}
        for batch in batches:
            rest = batch
            for first, names in self._moves.get(batch.group.key, {}).items():
                columns = [place for name in names if (place := batch.group.place(name)) is not None]
                known = ~np.isnan(batch.values[:, columns]).all(axis=1)
                if known.any():
                    values = batch.values[known][:, columns]
                    for place, column in enumerate(columns):
                        name, t = batch.group.signals[column], batch.t[known]
                        values[:, place] += self._added((batch.group.source, name), t, afterwards)
                    group = Group(*first, tuple(batch.group.signals[column] for column in columns))
                    out.setdefault(first, []).append(Batch(group, t, values).as_wide_as(self._layouts[first]))
                    rest = _without(rest, columns)
            out.setdefault(batch.group.key, []).insert(0, rest)
        return [merged(pieces) for pieces in out.values()]

    def taken_over(self, groups: Sequence[Batch]) -> tuple[TakenOver, ...]:
        """Return what later sources gave in a whole recording."""
        found = []
        for batch in groups:
            for first, names in self._moves.get(batch.group.key, {}).items():
                for name in names:
                    steps = np.diff(_known(batch, name)[0])
                    seconds = float(steps[steps <= BLOCK].sum()) / MICROSECONDS
                    difference = self._differences.get((batch.group.source, name))
                    if seconds > 0.0:
                        learnt = None if difference is None else difference.latest
                        found.append(TakenOver(name, first[0], batch.group.source, seconds, learnt))
        return tuple(found)

    def _added(self, of: tuple[str, str], t: Times, afterwards: bool) -> Values | float:
        """Return what is added to the readings of a source and signal at ``t``."""
        difference = self._differences.get(of)
        if difference is None:
            return 0.0
        if afterwards:
            return 0.0 if difference.latest is None else difference.latest.value
        return difference.at(t)

    def _meet(self, batches: Iterable[Batch]) -> None:
        """Note who gives each signal, the earlier row deciding, in the first group of each source that knows it."""
        met: list[tuple[int, _Key, str]] = []
        for batch in batches:
            group, before = batch.group, self._layouts.get(batch.group.key)
            unmet = self._unmet.setdefault(group.key, [])
            if before is not group:
                unmet += group.signals[0 if before is None else len(before.signals) :]
                self._layouts[group.key] = group
            for name in list(unmet):
                known = np.flatnonzero(~np.isnan(batch.values[:, group.signals.index(name)]))
                if len(known):
                    met.append((int(batch.t[known[0]]), group.key, name))
                    unmet.remove(name)
        for t, key, name in sorted(met):
            signal = own_name(key[0], name)
            self._givers.setdefault((key[0], signal), key)
            self._met.setdefault((key[0], signal), t)
            if name == signal:
                self._firsts.setdefault(signal, key)
        if met:
            self._pair_up()

    def _pair_up(self) -> None:
        """Note what is given in turn: its sources have readings of it under two names."""
        self._moves = {}
        for (source, signal), key in self._givers.items():
            first = self._firsts.get(signal, key)
            if first[0] == source or self._layouts[key].place(kept_aside(source, signal)) is None:
                continue
            known = find_signal(signal)
            if known is not None and known.unit in LEVELLED and (source, signal) not in self._differences:
                both = max(self._met[source, signal], self._met[first[0], signal])
                self._differences[source, signal] = Difference(known.unit, (both // BLOCK + 1) * BLOCK)
            if self._layouts[key].place(signal) is not None:
                self._moves.setdefault(key, {}).setdefault(first, []).append(signal)


def _known(batch: Batch, signal: str) -> Rows:
    """Return the rows in which ``signal`` is known."""
    column = batch.column(signal)
    if column is None:
        return _NO_ROWS
    known = ~np.isnan(column)
    return batch.t[known], column[known]


def _sent(batch: Batch, signal: str) -> Rows:
    """Return the known rows of ``signal``, whether it was given or kept aside."""
    own, aside = _known(batch, signal), _known(batch, kept_aside(batch.group.source, signal))
    if not len(own[0]) or not len(aside[0]):
        return own if len(own[0]) else aside
    t, values = (np.concatenate(pair) for pair in zip(own, aside, strict=True))
    order = np.argsort(t, kind="stable")
    return t[order], values[order]


def _without(batch: Batch, columns: Sequence[int]) -> Batch:
    values = batch.values.copy()
    values[:, columns] = np.nan
    return Batch(batch.group, batch.t, values)
