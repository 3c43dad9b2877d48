"""The stage that sets a mark by itself when a part seems to fail, so that the driver can repeat the manoeuvre.

Each finder keeps the last seconds and some running figures at each of their rows: range and noise of the throttle,
what is usually lost between pack and controller, the current at rest. Nothing is marked in the first half
minute, but a BMS trip. A mark comes up to two seconds after the moment that it marks, for a BMS trip is reported
late and only the following readings show whether it was the foot or a loose wire. The judgement is left to
``isolate``, which sees the whole drive.

A replay makes these marks anew: recorded ones are taken out first, so that none appears twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.fault_isolation.output_marks import OutputMarks
from telemetry.analysis.fault_isolation.supply_marks import SupplyMarks
from telemetry.analysis.fault_isolation.throttle_marks import ThrottleMarks
from telemetry.model.batch import MICROSECONDS, Span, Times
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
_DROPPED, _JUMPED, _OPENED, _LOST, _OUTPUT, _TREMBLED, _SANK = SUSPICIONS
_BY_KIND = {"fall": _DROPPED, "rise": _JUMPED, "jitter": _TREMBLED}
_SAME_MOMENT = 3 * MICROSECONDS // 2
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
        self._throttle, self._supply = ThrottleMarks(), SupplyMarks()
        self._output = OutputMarks(self._throttle, self._supply)
        self._last: dict[str, int] = {}
        self._count = 0

    def advance(self, span: Span) -> Span:
        """Add the marks of what is noticed in ``span``."""
        throttle, current, supply, pack, allowed, implement, speed = (
            known_values(chosen, span) for chosen in self._chosen
        )
        pieces = list({id(t): t for t in self._times(span)}.values())
        if span.final:  # nothing more comes that could explain what is waited for
            pieces.append(np.array([span.end + 10 * MICROSECONDS]))
        if not pieces:
            return span
        times = pieces[0] if len(pieces) == 1 else np.unique(np.concatenate(pieces))
        if not len(times):
            return span
        # at one time the part nearest to the throttle or the pack comes first
        seen = [(noticed, 0, at, _BY_KIND[kind]) for noticed, at, kind in self._throttle.take(*throttle, times)]
        seen += [(at, 1, at, _OPENED) for at in self._supply.trips(*allowed)]
        seen += [(noticed, 2, at, _LOST) for noticed, at in self._supply.lost(supply, pack, times)]
        self._output.take_work(speed, implement)
        dropped = list(self._output.dropped(*current, times))
        seen += [(noticed, 3, at, _SANK) for noticed, at in self._output.folded(times)]
        seen += [(noticed, 4, at, _OUTPUT) for noticed, at in dropped]
        marks: list[Mark] = []
        for _, _, at, words in sorted(seen, key=lambda each: each[:2]):
            if words != _OUTPUT or all(abs(at - last) >= _SAME_MOMENT for last in self._last.values()):
                self._mark(marks, at, words)
        return span.adding(events=marks) if marks else span

    def _times(self, span: Span) -> Iterator[Times]:
        """Give the times of what came of the chosen signals."""
        for chosen in self._chosen:
            found = chosen.find(span)
            if found is not None:
                yield found[0].t

    def _mark(self, marks: list[Mark], t: int, words: str) -> None:
        if self._count < MOST_MARKS and t - self._last.get(words, -SAME_AFTER) >= SAME_AFTER:
            self._last[words] = t
            self._count += 1
            marks.append(Mark(t, words, "program"))


def _is_ours(event: Event) -> bool:
    return isinstance(event, Mark) and event.by == "program" and event.text in SUSPICIONS + _EARLIER_WORDS
