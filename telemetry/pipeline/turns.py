"""Which source gives a signal that several of them give: the first in the machine file's order that is well.

While a source gives a signal, the others' readings of it are kept as ``extra_SOURCE_SIGNAL``: never a silent mix.
When it falls silent, or is found to repeat old values, the next one takes over, and gives the signal back once the
first has been well for a time. Each hand-over is announced in one mark, however many signals it is about.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np

from telemetry.analysis.frozen_spans import spoken
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values, kept_aside, own_name
from telemetry.model.events import Mark
from telemetry.model.signals import cell_number

SILENT_INTERVALS = 4.0
"""A source that has left out a signal for so many of its usual intervals is silent for it. Ours: less than the five
that a total bridges (see :mod:`telemetry.analysis.gaps`), so that a hand-over leaves no gap."""
SILENT_AT_LEAST, SILENT_AT_MOST = MICROSECONDS * 8 // 10, 48 * MICROSECONDS
SILENT_AT_FIRST = 5 * MICROSECONDS
"""Until two of its values have come, microseconds; ours."""
WELL_AFTER = 5 * MICROSECONDS
"""A source that was silent must have given a signal for so long before it gets it back, microseconds; ours."""
_Trouble = Literal["silent", "frozen"]
_LOST: dict[tuple[bool, _Trouble], str] = {
    (True, "silent"): "link lost",
    (False, "silent"): "gives less",
    (False, "frozen"): "repeats old values",
}
"""What is said of a source that lost signals, by whether it is silent altogether and what is wrong with them."""
_BACK: dict[_Trouble, str] = {"silent": "link back", "frozen": "values move again"}
_LEARNING = 0.2
_NEVER = -(2**62)


class Turns:
    """Settles who gives a signal as spans close.

    Args:
        order: names of the sources, the first choice first; one that is not named comes after them as it appears.
        prefer: the source that comes before all others, by signal.
        silences: by source, silence that the owner states in place of the usual intervals, microseconds.

    """

    def __init__(
        self,
        order: Sequence[str] = (),
        prefer: Mapping[str, str] | None = None,
        silences: Mapping[str, int] | None = None,
    ) -> None:
        self._order = list(order)
        self._prefer = dict(prefer or {})
        self._silences = dict(silences or {})
        self._heard: dict[str, dict[str, _Heard]] = defaultdict(dict)
        self._givers: dict[str, list[str]] = defaultdict(list)
        self._owners: dict[str, str] = {}
        self._firsts: dict[str, str] = {}
        self._owned_before: set[tuple[str, str]] = set()
        self._well_from: dict[tuple[str, str], tuple[int, _Trouble]] = {}
        self._unwell: dict[tuple[str, str], _Trouble] = {}
        self._repeating: dict[tuple[str, str], frozenset[str]] = {}
        self._frozen: dict[str, frozenset[str]] = {}
        self._layouts: dict[tuple[str, str], Group] = {}
        self._settled_to = _NEVER

    def settle(self, batches: Sequence[Batch], end: int) -> tuple[list[Batch], list[Mark]]:
        """Return the batches, each signal under its own name only where its giver sent it, and what to announce.

        Args:
            batches: what is due, at most one batch a group.
            end: int microseconds.
        """
        if not self._order[1:]:
            return list(batches), []
        new = [(batch.group.source, signal) for batch in batches for signal in self._hear(batch)]
        out = {source for source in self._order if self._is_out(source, end)}
        marks = self._hand_over(out, end)
        self._settled_to = end
        if new:
            marks += self._introduced(new, end)
        return [self._placed(batch) for batch in batches], marks

    def note_frozen(self, span: Span) -> None:
        """Take what was found of ``span``: a source that repeats old values gives way until all of them move."""
        if not span.frozen and not self._frozen:
            return
        for batch in span.batches:
            key, mask = batch.group.key, span.frozen.get(batch.group.key)
            if mask is not None and len(batch):
                signals = [batch.group.signals[place] for place in np.flatnonzero(mask[-1])]
                self._repeating[key] = frozenset(own_name(key[0], signal) for signal in signals)
            elif len(batch):
                self._repeating.pop(key, None)
        now = {key[0] for key, signals in self._repeating.items() if signals}
        self._frozen = {
            source: self._frozen.get(source, frozenset()).union(
                *(signals for key, signals in self._repeating.items() if key[0] == source)
            )
            for source in now
        }

    def _hear(self, batch: Batch) -> list[str]:
        """Take when its signals were known; return those that its source gives for the first time."""
        source = batch.group.source
        if source not in self._order:
            self._order.append(source)
        began = []
        for signal in self._heard[source].setdefault(batch.group.name, _Heard()).take(batch):
            if source not in self._givers[signal]:
                self._givers[signal].append(source)
                self._owners.setdefault(signal, source)
                self._firsts.setdefault(signal, source)
                began.append(signal)
        return began

    def _hand_over(self, out: set[str], end: int) -> list[Mark]:
        """Settle every signal that has a choice; return a mark for each source that lost or got back any."""
        lost: dict[tuple[str, str], dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
        back: dict[tuple[str, str], list[str]] = defaultdict(list)
        for signal, givers in self._givers.items():
            if not givers[1:]:
                continue
            before = self._owners[signal]
            now = self._owners[signal] = self._choice(signal, before, out, end)
            if now != before and (before, signal) in self._unwell:
                lost[before, _LOST[before in out, self._unwell[before, signal]]][now].append(signal)
            elif now != before and (now, signal) in self._owned_before:
                _, trouble = self._well_from.get((now, signal), (0, "silent"))
                back[now, _BACK[trouble]].append(signal)
            self._owned_before |= {(now, signal), *([(before, signal)] if now != before else [])}
        texts = []
        for (source, why), moved in lost.items():
            parts = [f"{in_few_words(signals)} now from {to}" for to, signals in moved.items()]
            texts.append(f"{source} {why}: {'; '.join(parts)}")
        texts += [
            f"{source} {why}: {in_few_words(signals)} from {source} again" for (source, why), signals in back.items()
        ]
        return [Mark(end, text, "program") for text in texts]

    def _choice(self, signal: str, before: str, out: set[str], end: int) -> str:
        """Return who gives ``signal`` from here on; ``before`` while nobody does."""
        alive, repeating = [], []
        for source in self._givers[signal]:
            key = (source, signal)
            if source in out or not self._gives(source, signal, end):
                self._unwell[key] = "silent"
            elif signal in self._frozen.get(source, ()):
                self._unwell[key] = "frozen"
                repeating.append(source)
            else:
                alive.append(source)
                if key in self._unwell:
                    self._well_from[key] = end + WELL_AFTER, self._unwell.pop(key)
        if not alive:
            if before in repeating:
                return before
            alive = repeating
        if before not in (*alive, *repeating):
            # It takes a row of after the silence began: all may have ended together.
            since = self._last(before, signal) + SILENT_AT_LEAST // 2
            alive = [source for source in alive if self._last(source, signal) > since]
        well = [source for source in alive if end >= self._well_from.get((source, signal), (end, ""))[0]]
        if not well and (before in alive or not alive):
            return before
        rank = {source: (self._prefer.get(signal) != source, self._order.index(source)) for source in alive}
        now = min(well or alive, key=lambda source: rank[source])
        # With a row in hand, of any signal: one that had just ended would be announced and give nothing.
        return now if now == before or self._newest(now) > self._settled_to else before

    def _gives(self, source: str, signal: str, end: int) -> bool:
        stated = self._silences.get(source, 0)
        return any(each.gives(signal, end, stated) for each in self._heard[source].values())

    def _last(self, source: str, signal: str) -> int:
        return max(each.last(signal) for each in self._heard[source].values())

    def _is_out(self, source: str, end: int) -> bool:
        """Return whether a source has been silent altogether for longer than its fastest group allows."""
        groups = self._heard[source].values()
        if not groups:
            return True
        limit = max(min(each.fastest for each in groups), self._silences.get(source, 0))
        return end - self._newest(source) > limit

    def _newest(self, source: str) -> int:
        return max(each.newest for each in self._heard[source].values())

    def _introduced(self, new: Sequence[tuple[str, str]], end: int) -> list[Mark]:
        """Say which source counts, once of each two that give the same signals."""
        pairs: dict[tuple[str, str], dict[str, None]] = defaultdict(dict)
        for source, signal in new:
            owner = self._owners[signal]
            others = self._givers[signal] if source == owner else [source]
            for other in others:
                if other != owner:
                    pairs[owner, other][signal] = None
        return [
            Mark(end, f"{in_few_words(list(signals))} from {owner}; kept beside: the same from {other}", "program")
            for (owner, other), signals in pairs.items()
        ]

    def _placed(self, batch: Batch) -> Batch:
        """Return the batch with each value under the signal's own name or aside, as its source gives it or not."""
        group = batch.group
        names = [
            signal if self._owners.get(signal, group.source) == group.source else kept_aside(group.source, signal)
            for signal in group.signals
        ]
        empty = Group(group.source, group.name, (), group.origin)
        given_before = [s for s in group.signals if self._firsts.get(s, group.source) != group.source]
        names_of_both = [*names, *(kept_aside(group.source, signal) for signal in given_before)]
        layout = self._layouts[group.key] = self._layouts.get(group.key, empty).widened(names_of_both)
        if layout.signals == group.signals:
            return batch
        values = np.full((len(batch), len(layout.signals)), np.nan)
        values[:, [layout.signals.index(name) for name in names]] = batch.values
        return Batch(layout, batch.t, values)


class _Heard:
    """When each signal of one group was known last, and its usual interval, microseconds.

    Attributes:
        newest: time of the last row in which anything was known.

    """

    def __init__(self) -> None:
        self._group: Group | None = None
        self._last: Times = np.empty(0, np.int64)
        self._usual: Values = np.empty(0)
        self.newest = _NEVER

    def take(self, batch: Batch) -> list[str]:
        """Take rows that continue; return the signals known for the first time."""
        if self._group is not batch.group:
            more = len(batch.group.signals) - len(self._last)
            self._last = np.append(self._last, np.full(more, _NEVER))
            self._usual = np.append(self._usual, np.full(more, np.nan))
            self._group = batch.group
        t = batch.t[:, None]
        known = ~np.isnan(batch.values)
        heard, begun = known.any(axis=0), self._last > _NEVER
        if not heard.any():
            return []
        first, last = np.where(known, t, 2**62).min(axis=0), np.where(known, t, _NEVER).max(axis=0)
        times = 1 + np.count_nonzero(batch.t[1:] > batch.t[:-1])  # rows of one arrival tell no interval
        steps = np.minimum(known.sum(axis=0), times) - ~begun
        step = (last - np.where(begun, self._last, first)) / np.maximum(steps, 1)
        unknown = np.isnan(self._usual)
        learns = heard & (steps > 0) & (step > 0) & (unknown | (step <= _limit(self._usual)))
        before = np.where(unknown, step, self._usual)
        self._usual = np.where(learns, before + _LEARNING * (step - before), self._usual)
        self._last = np.where(heard, last, self._last)
        self.newest = int(last[heard].max())
        return [batch.group.signals[place] for place in np.flatnonzero(heard & ~begun)]

    @property
    def fastest(self) -> float:
        """How long its most frequent signal may be silent."""
        known = self._usual[~np.isnan(self._usual)]
        return float(_limit(known.min())) if len(known) else SILENT_AT_FIRST

    def last(self, signal: str) -> int:
        """Return when ``signal`` was known last; long ago for never."""
        place = None if self._group is None else self._group.place(signal)
        return _NEVER if place is None else int(self._last[place])

    def gives(self, signal: str, end: int, stated: int) -> bool:
        """Return whether ``signal`` was known within its usual intervals, or within the ``stated`` silence."""
        place = None if self._group is None else self._group.place(signal)
        if place is None:
            return False
        usual = float(self._usual[place])
        limit = SILENT_AT_FIRST if math.isnan(usual) else float(_limit(usual))
        return bool(end - self._last[place] <= max(limit, stated))


def _limit(usual: Any) -> Any:
    """Return the longest interval that is no silence, for usual intervals in microseconds."""
    return np.minimum(np.maximum(SILENT_INTERVALS * usual, SILENT_AT_LEAST), SILENT_AT_MOST)


def in_few_words(signals: Sequence[str]) -> str:
    """Return signals as they are said: ``voltage, current, 16 cells``."""
    cells = sum(cell_number(signal) is not None for signal in signals)
    words = [word.removeprefix("pack ") for word in spoken([s for s in signals if cell_number(s) is None])]
    return ", ".join([*words, *([f"{cells} cell{'s' * (cells > 1)}"] if cells else [])])
