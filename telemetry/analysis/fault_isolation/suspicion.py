"""The stage that sets a mark by itself when a part seems to fail, so that the driver can repeat the manoeuvre.

Time is seen in half seconds of the data's own clock. Each is looked at once the two seconds after it have come, for
a BMS trip is reported late and only the following readings show whether it was the foot or a loose wire. Nothing is
marked in the first half minute, but a BMS trip.

A replay makes these marks anew: recorded ones are taken out first, so that none appears twice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.fault_isolation.signs import (
    LEARNT_FROM_S,
    LEARNT_S,
    Usual,
    is_undisturbed,
    output_drops,
    throttle_fails,
    trips,
    usual,
    voltage_lost,
)
from telemetry.analysis.fault_isolation.sinking_output import SinkingOutput
from telemetry.analysis.fault_isolation.trace import Trace
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.events import Event, Mark
from telemetry.model.signals import ON

SAME_AFTER = 10 * MICROSECONDS
MOST_MARKS = 30
SUSPICIONS = (
    "throttle signal dropped out",
    "throttle signal jumped",
    "BMS trip",
    "high voltage drop to controller",
    "output dropped, throttle steady",
    "throttle signal jittered",
    "output folded back, throttle steady",
)
"""The words of the marks; a fault nearer to the throttle or the pack explains faults of the parts after it."""
_EARLIER_WORDS = (
    "pedal signal dropped",
    "pedal signal jumped",
    "pack's switch opened",
    "voltage lost on the way",
    "output fell away, pedal steady",
    "pedal signal trembled",
    "output sank, pedal as before",
)
"""The same in recordings of earlier versions."""
_DROPPED, _JUMPED, _TRIPPED, _LOST, _OUTPUT, _TREMBLED, _SANK = SUSPICIONS
_BY_KIND = {"fall": _DROPPED, "rise": _JUMPED, "jitter": _TREMBLED}
_SAME_MOMENT = 3 * MICROSECONDS // 2
_HALF = MICROSECONDS // 2
_LATER, _OUTPUT_LATER = 3, 4
"""Half seconds after which a moment is judged; output last, when what explains it is known."""
_HELD, _LEAST_TRAVEL = 0.05, 0.1
"""Shares of the throttle's travel: held for a second, and pressed enough to compare what it draws."""
_NAMES = (
    "throttle_voltage",
    "pack_current",
    "controller_voltage",
    "pack_voltage",
    "discharge_allowed",
    "implement_engaged",
    "vehicle_speed",
)


class EarlierMarks:
    """Takes the marks out of a recording that :class:`Suspicion` made when it was recorded: it makes them anew."""

    def advance(self, span: Span) -> Span:
        """Take them out of ``span``."""
        kept = tuple(event for event in span.events if not _is_ours(event))
        return span if len(kept) == len(span.events) else replace(span, events=kept)


class Suspicion:
    """Adds a program's :class:`~telemetry.model.events.Mark` at the time of each suspicious event.

    At most one of a kind in ten seconds, and thirty in a session.
    """

    def __init__(self) -> None:
        self._chosen = [Chosen(name) for name in _NAMES]
        self._rows = {name: Trace() for name in _NAMES}
        self._usual, self._sinking = Usual(), SinkingOutput()
        self._next = self._learnt = -1
        self._last: dict[str, int] = {}
        self._count = 0

    def advance(self, span: Span) -> Span:
        """Add the marks of what is noticed in ``span``."""
        before = (self._next - 2 * LEARNT_S) * _HALF - MICROSECONDS
        for chosen in self._chosen:
            self._rows[chosen.signal].add(*known_values(chosen, span), before)
        end = span.end // _HALF + span.final * (1 + _OUTPUT_LATER)
        marks = [mark for half in self._due(end) for mark in self._look(half)]
        self._next = max(self._next, end)
        return span.adding(events=marks) if marks else span

    def _due(self, end: int) -> list[int]:
        """Return the half seconds before ``end`` that are over now and in or soon after which something was read."""
        since = max(self._next - _OUTPUT_LATER, 0) * _HALF
        times = [trace.t[trace.t.searchsorted(since) :] // _HALF for trace in self._rows.values()]
        read = np.unique(np.concatenate(times))
        if self._learnt < 0 and len(read):
            self._learnt = int(read[0])
        due = np.unique(read[:, None] + np.arange(_OUTPUT_LATER + 1))
        halves: list[int] = due[(due >= self._next) & (due < end)].tolist()
        return halves

    def _look(self, half: int) -> list[Mark]:
        """Return the marks that follow once a half second is over."""
        rows, start, end = self._rows, half * _HALF, (half + 1) * _HALF
        if half + 1 - self._learnt >= 2 * LEARNT_FROM_S:
            self._usual, self._learnt = usual(rows, end, self._usual), half + 1
        known, earlier, earliest = self._usual, start - _LATER * _HALF, start - _OUTPUT_LATER * _HALF
        seen = [(at, _BY_KIND[kind]) for at, kind in throttle_fails(rows, earlier, earlier + _HALF, known)]
        seen += [(at, _TRIPPED) for at in trips(rows, start, end)]
        seen += [(at, _LOST) for at in voltage_lost(rows, earlier, earlier + _HALF, known)]
        seen += [(start, _SANK)] * self._has_sunk(start, end)
        marks = [mark for at, words in seen for mark in self._marked(at, words)]
        for at in output_drops(rows, earliest, earliest + _HALF, end, known):
            if all(abs(at - last) >= _SAME_MOMENT for last in self._last.values()):
                marks += self._marked(at, _OUTPUT)
        return marks

    def _has_sunk(self, start: int, end: int) -> bool:
        """Tell whether a held throttle draws less than it did, or that even further than was said."""
        if self._usual.throttle is None:
            return False
        share = self._usual.travel(self._rows["throttle_voltage"].between(start - _HALF, end)[1])
        if not len(share) or np.ptp(share) > _HELD or share.mean() < _LEAST_TRAVEL:
            return False
        amps = self._rows["pack_current"].between(start, end)[1]
        speed = self._rows["vehicle_speed"].between(start - _HALF, end)[1]
        works = self._rows["implement_engaged"].between(end, end, 1)[1]
        if not len(amps) or not len(speed) or not is_undisturbed(self._rows, start - MICROSECONDS, end):
            return False
        engaged = float(len(works) > 0 and works[-1] >= ON)
        return self._sinking.take(float(share.mean()), float(speed.mean()), engaged, float(amps.mean()))

    def _marked(self, t: int, words: str) -> list[Mark]:
        if self._count >= MOST_MARKS or t - self._last.get(words, -SAME_AFTER) < SAME_AFTER:
            return []
        self._last[words] = t
        self._count += 1
        return [Mark(t, words, "program")]


def _is_ours(event: Event) -> bool:
    return isinstance(event, Mark) and event.by == "program" and event.text in SUSPICIONS + _EARLIER_WORDS
