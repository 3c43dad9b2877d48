"""The stage that sets a mark by itself when a part seems to fail, so that the driver can repeat the manoeuvre.

Each finder takes one reading at a time and keeps a few seconds and some running figures: range and noise of the
throttle, what is usually lost between pack and controller, the current at rest. Nothing is marked in the first half
minute, but a BMS trip. A mark comes up to two seconds after the moment that it marks, for a BMS trip is reported
late and only the following readings show whether it was the foot or a loose wire. The judgement is left to
``isolate``, which sees the whole drive.

A replay makes these marks anew: recorded ones are removed from the span, so that none appears twice.
"""

from __future__ import annotations

from dataclasses import replace

from telemetry.analysis.chosen import Chosen, rows_together
from telemetry.analysis.fault_isolation.output_marks import OutputMarks
from telemetry.analysis.fault_isolation.supply_marks import SupplyMarks
from telemetry.analysis.fault_isolation.throttle_marks import ThrottleMarks
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
_NAN = float("nan")


class Suspicion:
    """Adds a program's :class:`~telemetry.model.events.Mark` at the time of each suspicious event.

    At most one of a kind in ten seconds, and thirty in a session.
    """

    def __init__(self) -> None:
        self._chosen = [Chosen(name) for name in _NAMES]
        self._throttle, self._supply = ThrottleMarks(), SupplyMarks()
        self._output = OutputMarks(self._throttle)
        self._last: dict[str, int] = {}
        self._count = 0

    def advance(self, span: Span) -> Span:
        """Replace recorded marks of this stage by those that it makes itself."""
        span = replace(span, events=tuple(event for event in span.events if not _is_ours(event)))
        times, table = rows_together(self._chosen, span)
        marks = [mark for t, row in zip(times.tolist(), table.tolist(), strict=True) for mark in self._step(t, row)]
        if span.final:  # nothing more comes that could explain what is waited for
            marks += self._step(span.end + 10 * MICROSECONDS, [_NAN] * len(_NAMES))
        return span.adding(events=marks) if marks else span

    def _step(self, t: int, row: list[float]) -> list[Mark]:
        """Take what came at one time; the part nearest to the throttle or the pack first."""
        volts, current, supply, pack, allowed, implement, speed = row
        marks: list[Mark] = []
        if volts == volts:
            self._throttle.take(t, volts)
        if t >= self._throttle.due:
            for at, kind in self._throttle.judged():
                self._mark(marks, at, {"fall": _DROPPED, "rise": _JUMPED, "jitter": _TREMBLED}[kind])
        if allowed == allowed and self._supply.trips(t, allowed):
            self._mark(marks, t, _OPENED)
        self._supply.take(t, supply, pack)
        if (lost := self._supply.lost(t)) is not None:
            self._mark(marks, lost, _LOST)
        self._output.take_work(t, speed, implement)
        if t >= self._output.until and (folded := self._output.folded(t, self._supply)) is not None:
            self._mark(marks, folded, _SANK)
        if current == current:
            self._output.take(t, current)
        for at in self._output.dropped(t, self._supply):
            if all(abs(at - last) >= _SAME_MOMENT for last in self._last.values()):
                self._mark(marks, at, _OUTPUT)
        return marks

    def _mark(self, marks: list[Mark], t: int, words: str) -> None:
        if self._count < MOST_MARKS and t - self._last.get(words, -SAME_AFTER) >= SAME_AFTER:
            self._last[words] = t
            self._count += 1
            marks.append(Mark(t, words, "program"))


def _is_ours(event: Event) -> bool:
    return isinstance(event, Mark) and event.by == "program" and event.text in SUSPICIONS + _EARLIER_WORDS
