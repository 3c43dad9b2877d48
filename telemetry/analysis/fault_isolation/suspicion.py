"""The stage that sets a mark by itself when a part seems to fail, so that the driver can repeat the manoeuvre.

A mark is an event of the drive so far, found as in a whole drive (:func:`observe_events`), that is a hundred times as
likely if a part failed. That is looked for two seconds after readings that could be one (:mod:`hints`), for a BMS
trip is reported late and only what follows shows whether it was the foot or a loose wire. Time is seen in seconds of
the data's own clock. To judge takes tenths of a second: a live run has it done beside it, so that no alarm waits.

A replay makes these marks anew: recorded ones are taken out first, so that none appears twice.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import Executor, Future
from dataclasses import replace

import numpy as np

from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.fault_isolation.drive import RowSpan, around
from telemetry.analysis.fault_isolation.hints import Trace, hinted
from telemetry.analysis.fault_isolation.observations import Observations, observe, observe_events
from telemetry.analysis.fault_isolation.pedal import jitters
from telemetry.analysis.fault_isolation.pedal_map import Follows
from telemetry.analysis.series import Series, SessionSeries
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.events import Event, Mark

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
_DROPPED, _JUMPED, _TRIPPED, _LOST, _OUTPUT, _TREMBLED, _SANK = SUSPICIONS
_BY_KIND = {"rise": _JUMPED, "jitter": _TREMBLED}
_LATER, _APART, _MOST_APART = 2, 5, 60
"""Seconds after which a moment is judged, and from one judgement to the next: each time twice as many, up to the
most, where it goes on. All since the one before is judged then, so that nothing is missed."""
FIRST_S = 30
"""Seconds of driving from which the machine is learnt: what comes in them is not judged."""
_SEEN, _LONG = 180, 450
"""Seconds that are judged; and, as often as that, of a longer time, for output that folds back bit by bit. Ours."""
_EXPLAINED_ROWS = 30, 60
"""Before and after a loss of supply, in which output that drops is its doing."""
_BEFORE, _SAME = 2 * MICROSECONDS, MICROSECONDS // 2
"""An event may have begun so long before readings that could be one; and one that is found again lies so near."""
_PLAIN = 4.6
"""Natural logarithm of the odds from which an event is marked, 100 to 1."""
_NAMES = (
    "throttle_voltage",
    "pack_current",
    "controller_voltage",
    "pack_voltage",
    "discharge_allowed",
    "vehicle_speed",
)


_Look = Callable[[SessionSeries, Follows | None], Observations]


class EarlierMarks:
    """Takes the marks out of a recording that :class:`Suspicion` made when it was recorded: it makes them anew."""

    def advance(self, span: Span) -> Span:
        """Take them out of ``span``."""
        kept = tuple(event for event in span.events if not _is_ours(event))
        return span if len(kept) == len(span.events) else replace(span, events=kept)


class Suspicion:
    """Adds a program's :class:`~telemetry.model.events.Mark` at the time of each suspicious event.

    At most one of a kind in ten seconds, which then says how often it came so far, and thirty in a session.

    Args:
        beside: what judges, one moment after the other; None: it is judged at once.

    """

    def __init__(self, beside: Executor | None = None) -> None:
        self._chosen = [Chosen(name) for name in _NAMES]
        self._rows = {name: Trace() for name in _NAMES}
        self._begun = self._next = self._judged = -1
        self._apart = _APART
        self._hints: dict[int, Collection[str]] = {}
        self._judgement = _Judgement()
        self._beside = beside
        self._awaited: deque[Future[list[Mark]]] = deque()

    def advance(self, span: Span) -> Span:
        """Add the marks of what is noticed in ``span``, or has been judged meanwhile."""
        before = (self._next - _LONG - 1) * MICROSECONDS
        for chosen in self._chosen:
            self._rows[chosen.signal].add(*known_values(chosen, span), before)
        end = span.end // MICROSECONDS + span.final * (1 + _LATER)
        marks = [mark for second in self._due(end) for mark in self._look(second)]
        self._next = max(self._next, end)
        while self._awaited and (span.final or self._awaited[0].done()):
            marks += self._awaited.popleft().result()
        return span.adding(events=marks) if marks else span

    def _due(self, end: int) -> list[int]:
        """Return the seconds before ``end`` that are over now and in or soon after which something was read."""
        since = max(self._next - _APART, 0) * MICROSECONDS
        times = [trace.t[trace.t.searchsorted(since) :] // MICROSECONDS for trace in self._rows.values()]
        read = np.unique(np.concatenate(times))
        if self._begun < 0 and len(read):
            self._begun = int(read[0])
        due = np.unique(read[:, None] + np.arange(_APART + 1))
        seconds: list[int] = due[(due >= self._next) & (due < end)].tolist()
        return seconds

    def _look(self, second: int) -> list[Mark]:
        """Return the marks that follow once a second is over, as far as they are judged at once."""
        driven = second - self._begun
        if driven < FIRST_S:
            return []
        if names := hinted(self._rows, second):
            self._hints[second] = names
        current = self._rows["pack_current"].between((second - FIRST_S) * MICROSECONDS, second * MICROSECONDS)[1]
        folds = driven % _LONG == 0 and len(current) > 0 and np.ptp(current) > 0  # repeated old values tell of none
        marks = []
        if folds:
            marks += self._have_judged(_series(self._rows, second + 1, _LONG), second * MICROSECONDS, observe)
        first = min(self._hints, default=second)
        if first > self._judged + _MOST_APART:
            self._apart = _APART
        if second < max(first + _LATER, self._judged + self._apart):
            return marks
        wanted = {name for names in self._hints.values() for name in names}
        series = _series(self._rows, second + 1, max(_SEEN, second + 1 - first + _LATER), wanted)
        self._judged, self._apart = second, min(2 * self._apart, _MOST_APART)
        self._hints = {at: names for at, names in self._hints.items() if at > second - _LATER}
        return marks + self._have_judged(series, first * MICROSECONDS - _BEFORE, observe_events)

    def _have_judged(self, series: SessionSeries, since: int, look: _Look) -> list[Mark]:
        if self._beside is None:
            return self._judgement.of(series, since, look)
        self._awaited.append(self._beside.submit(self._judgement.of, series, since, look))
        return []


class _Judgement:
    """Judges one moment after the other, and keeps what it has learnt and told."""

    def __init__(self) -> None:
        self._how: Follows | None = None
        self._learnt = 0
        self._told: dict[str, list[int]] = {}
        self._marked: dict[str, int] = {}
        self._count = 0

    def of(self, series: SessionSeries, since: int, look: _Look) -> list[Mark]:
        """Return the marks of what happened since a time, µs.

        Which kind of answer to the throttle it is, is learnt again from twice as much. An output that drops does so
        by what was known as well as by what is learnt anew: by a wrong answer a sound controller seems to drop it.
        """
        if self._count >= MOST_MARKS:
            return []
        driven = int(series.duration_s)
        for how in dict.fromkeys((self._how, None) if driven < 2 * self._learnt else (None, self._how)):
            o = look(series, how)
            told = sorted((at, words) for at, words in _told(o) if at >= since)
            if how is None and o.response is not None:
                self._how, self._learnt = o.response.how, driven
            if not {_OUTPUT, _SANK} & {words for _, words in told}:
                break
        return [mark for at, words in told for mark in self._marks(at, words)]

    def _marks(self, t: int, words: str) -> list[Mark]:
        times = self._told.setdefault(words, [])
        if times and t <= times[-1] + _SAME:
            return []
        times.append(t)
        if self._count >= MOST_MARKS or t - self._marked.get(words, t - SAME_AFTER) < SAME_AFTER:
            return []
        self._marked[words] = t
        self._count += 1
        return [Mark(t, words if len(times) == 1 else f"{words}, {len(times)} so far", "program")]


def _series(rows: Mapping[str, Trace], until: int, seconds: int, wanted: Collection[str] = _NAMES) -> SessionSeries:
    """Return the signals that are wanted in the ``seconds`` before a time, s."""
    end, held = until * MICROSECONDS, {}
    for name in wanted:
        t, values = rows[name].between(end - seconds * MICROSECONDS, end)
        if len(t):
            held[name] = Series(t, values)
    start = min((int(each.t[0]) for each in held.values()), default=end)
    last = max((int(each.t[-1]) for each in held.values()), default=end)
    return SessionSeries("", start, last, 0, "relative", held, None)


def _told(o: Observations) -> Iterator[tuple[int, str]]:
    """Yield when something happened that is plainly a part's doing, µs, and in which words."""
    for each in jitters([each for each in o.pedal or () if each.evidence > _PLAIN]):
        yield round(each.t * MICROSECONDS), _BY_KIND.get(each.kind, _DROPPED)
    rows: list[tuple[RowSpan, str]] = [(loss, _TRIPPED) for loss in (*o.drawing, *o.braking)]
    rows += [(loss, _LOST) for loss in o.openings]
    explained = around([loss for loss, _ in rows], len(o.current), *_EXPLAINED_ROWS)
    rows += [(each, _OUTPUT) for each in o.failings if each.weight > _PLAIN and not explained[each.start]]
    if o.folds_back:
        rows.append((RowSpan(len(o.current) - 1, len(o.current)), _SANK))
    for span, words in rows:
        yield round(o.at(span.start) * MICROSECONDS), words


def _is_ours(event: Event) -> bool:
    return isinstance(event, Mark) and event.by == "program" and event.text.startswith(SUSPICIONS)
