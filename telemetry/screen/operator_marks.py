"""What the keys do to marks: set one, give it words, take it back."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.model.clock import Clock
from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.mark_entry import OPEN_US, PLAIN, MarkEntry

TAKE_BACK_US = 10_000_000
"""How long backspace takes back a mark without a question."""


class MarkKeys:
    """Sets marks at the moment of the key.

    Args:
        snapshot: the marks so far, and where time counts from.
        control: what is done to the run.
        wall: real time, by which an entry closes and a mark stops being fresh.
        say: shows one sentence.
        moment: returns the moment that is marked, int microseconds.

    """

    def __init__(
        self,
        snapshot: Snapshot,
        control: RunControl,
        wall: Clock,
        say: Callable[[str], None],
        moment: Callable[[], int],
    ) -> None:
        self._snapshot, self._control, self._wall = snapshot, control, wall
        self._say, self._moment = say, moment
        self._last: tuple[int, int] | None = None

    def open(self) -> MarkEntry | None:
        """Mark this moment; return what takes the words, None where no mark can be kept."""
        if self._control.why_no_marks:
            self._say(self._control.why_no_marks)
            return None
        t = self.set()
        at = clock_at(t, self._snapshot.start, tenths=True)
        return MarkEntry(t, at, self._done, self._wall.now() + OPEN_US)

    def set(self) -> int:
        """Mark this moment; return it, int microseconds."""
        t = self._moment()
        why = self._control.mark(PLAIN, t)
        self._last = None if why else (t, self._wall.now() + TAKE_BACK_US)
        self._say(why or f"mark set at {clock_at(t, self._snapshot.start)}")
        return t

    def _done(self, entry: MarkEntry) -> None:
        if entry.outcome == "taken back":
            self._take_back(entry.t)
            return
        why = "" if entry.words == PLAIN else self._control.change_mark(entry.t, entry.words)
        self._last = (entry.t, self._wall.now() + TAKE_BACK_US)
        at = clock_at(entry.t, self._snapshot.start)
        self._say(why or f"mark set at {at}: {printable(entry.words, 30)}; backspace takes it back")

    @property
    def fresh(self) -> int | None:
        """The moment of the last mark while it can be taken back, int microseconds."""
        return self._last[0] if self._last is not None and self._wall.now() < self._last[1] else None

    def take_mark_back(self) -> None:
        """Take the last mark back while it is fresh."""
        if self.fresh is not None:
            self._take_back(self.fresh)

    def _take_back(self, t: int) -> None:
        words = next((mark.text for mark in reversed(self._snapshot.marks) if mark.t == t), PLAIN)
        why = self._control.change_mark(t, words, taken_back=True)
        self._last = None
        self._say(why or f"mark at {clock_at(t, self._snapshot.start)} taken back; the record says so")
