"""What waits to be written: spans and calls in one line, with bounds and a count of what was refused."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from telemetry.model.batch import Span
from telemetry.model.raw_bytes import RawBytes

if TYPE_CHECKING:
    from sqlite_utils import Database

T = TypeVar("T")

LIVE_SPAN_US = 60_000_000
MAX_VALUES = 4_000_000
MAX_EVENTS = 100_000


@dataclass(frozen=True, slots=True)
class Counts:
    """Values (rows times signals) of a session by what became of them.

    Attributes:
        queued: waiting to be written.
        stored: written and committed.
        refused: not taken, because the queue was full.
        limit: the most that may wait.
        refused_events: events not taken, for the same reason.
        refused_raw: raw bytes around alarms that were given up with what waited.

    """

    queued: int
    stored: int
    refused: int
    limit: int
    refused_events: int = 0
    refused_raw: int = 0


@dataclass(eq=False)
class Call(Generic[T]):
    """Something else for the writing thread to do, in its turn."""

    work: Callable[[Database], T]
    done: Future[T] = field(default_factory=Future)
    again_on_failure: bool = False


class SpanQueue:
    """First in, first out; not safe for threads by itself.

    Live spans are bound by time, 60 s from the oldest to the newest, and all by memory. An empty queue takes any
    span, however large.
    """

    def __init__(self, max_values: int) -> None:
        self.max_values = max_values
        self.live = True
        self.calls = 0
        self.last_end = 0
        self._line: deque[Span | Call[Any]] = deque()
        self._ends: deque[tuple[int, float]] = deque()
        self._values = self._events = 0
        self._stored = self._refused = self._refused_events = self._refused_raw = self._untold = 0

    def __bool__(self) -> bool:
        return bool(self._line)

    @property
    def values(self) -> int:
        """How many values wait."""
        return self._values

    @property
    def oldest(self) -> tuple[int, float] | None:
        """End of the first span that waits, microseconds, and its arrival, monotonic seconds; None if none waits."""
        return self._ends[0] if self._ends else None

    def stuck_since(self, written_at: float) -> float:
        """Return since when nothing has been written though something waits; ``written_at`` was the last time."""
        return max(written_at, self._ends[0][1] if self._ends else written_at)

    @property
    def counts(self) -> Counts:
        """The figures of the session so far."""
        return Counts(
            self._values, self._stored, self._refused, self.max_values, self._refused_events, self._refused_raw
        )

    def start_counting(self, live: bool) -> None:
        """Set the counts of a new session to nothing."""
        self.live = live
        self._stored = self._refused = self._refused_events = self._refused_raw = self._untold = 0

    def has_room(self, values: int, end: int | None = None) -> bool:
        """Tell whether a span of ``values`` would be taken, if it ends at ``end`` (at any time where None)."""
        if not self._ends:
            return True
        late = self.live and end is not None and end - self._ends[0][0] > LIVE_SPAN_US
        return not late and self._values + values <= self.max_values

    def add(self, span: Span) -> int:
        """Take ``span``, or only its events where there is no room for its rows.

        Returns:
            How many values were refused since the last call: of this span, and by :meth:`refuse_first`.

        """
        self.last_end = span.end
        values = span.value_count
        refused = 0
        if not span.raw:  # whoever hands over raw bytes asks for no values
            refused, self._untold = self._untold, 0
        if values and not self.has_room(values, span.end):
            self._refused += values
            refused, values = refused + values, 0
            span = replace(span, batches=())
        if self._events + len(span.events) > MAX_EVENTS:
            self._refused_events += len(span.events)
            span = replace(span, events=())
        if values or span.events or span.raw:  # raw bytes are bounded for the whole session where they come from
            self._line.append(span)
            self._ends.append((span.end, time.monotonic()))
            self._values += values
            self._events += len(span.events)
        return refused

    def add_call(self, call: Call[Any]) -> None:
        """Take a call, to be made after everything before it was written."""
        self._line.append(call)
        self.calls += 1

    def head(self) -> Span | Call[Any]:
        """Return what is first."""
        return self._line[0]

    def first_spans(self, values: int) -> list[Span]:
        """Return the spans at the front of the line, without taking them out: at least one, about ``values``."""
        found: list[Span] = []
        total = 0
        for job in self._line:
            if isinstance(job, Call) or (found and total >= values):
                break
            found.append(job)
            total += job.value_count
        return found

    def take_call(self) -> None:
        """Take the call out that is first."""
        assert isinstance(self._line.popleft(), Call)
        self.calls -= 1

    def written(self, spans: list[Span]) -> None:
        """Take out the first spans, which are committed."""
        self._stored += self._take_out(len(spans))

    def refuse_first(self) -> None:
        """Throw the first span away, counted as refused; :meth:`add` tells."""
        self._untold += self._give_up_first()

    def give_up(self) -> list[Call[Any]]:
        """Throw away every span, counted as refused; return the calls that were in between."""
        calls: list[Call[Any]] = []
        while self._line:
            if isinstance(self._line[0], Call):
                calls.append(self._line[0])
                self.take_call()
            else:
                self._give_up_first()
        return calls

    def _give_up_first(self) -> int:
        span = self._line[0]
        assert isinstance(span, Span)
        self._refused_events += len(span.events)
        self._refused_raw += sum(len(one.data) for one in span.raw if isinstance(one, RawBytes))
        values = self._take_out(1)
        self._refused += values
        return values

    def _take_out(self, count: int) -> int:
        values = 0
        for _ in range(count):
            span = self._line.popleft()
            assert isinstance(span, Span)
            self._ends.popleft()
            self._events -= len(span.events)
            values += span.value_count
        self._values -= values
        return values
