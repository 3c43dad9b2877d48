"""A session that is over on the screen of a run: its clock is the cursor of the traces."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence

from telemetry.analysis.cells_forward import BLOCK
from telemetry.analysis.cells_live import CellWatch
from telemetry.machine.limits import Limit
from telemetry.machine.machine_file import Machine
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.cell_figures import CellFigures
from telemetry.model.clock import SystemClock
from telemetry.model.errors import ShakedownError
from telemetry.model.events import Event, Mark, MarkChange
from telemetry.model.recording import Recording
from telemetry.pipeline.past import Past
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.cursor_play import CursorPlay
from telemetry.screen.dashboard import Dashboard
from telemetry.screen.scene import pack_scale
from telemetry.screen.session_list import SessionList
from telemetry.screen.span_figures import SpanFigures
from telemetry.screen.terminal import TerminalScreen
from telemetry.screen.theme import detected_colours
from telemetry.screen.traces import Traces
from telemetry.screen.units import UnitsName

LOOKED_AT = 900 * MICROSECONDS
"""The rows before the cursor that are compared: older steps of load have faded in a run, too."""
log = logging.getLogger(__name__)
NO_MARKS = "no mark set: a file keeps none; shakedown replay FILE --record makes a session of it"
_SEEN_S = 150
"""Seconds before the cursor that the other views draw from."""


class Review:
    """The parts of a review.

    Args:
        past: what is looked at.
        title: what it is called, for the first row; ``name`` for that of the other views.
        machine: what its owner states; None where no machine file does.
        limits: to be drawn, by name.
        keep: keeps a mark with the session; None for a file.
        units: of speed, area and temperature.
        plain_blocks: draw traces of full and half blocks only.
        sessions: the list of recorded sessions.
        program: words that run this program as a command.

    Attributes:
        past: what is looked at.
        traces: its traces.
        cursor: plays.
        cells: compares the cells at the cursor; None without a machine file.
        snapshot: what was known at the cursor, for the other views.
        dashboard: what the screen shows; ``screen`` shows it.
        next: number of the session to look at after this one; None to leave.

    """

    def __init__(
        self,
        past: Past,
        title: str,
        name: str,
        machine: Machine | None,
        limits: Mapping[str, Limit],
        keep: Callable[[Mark | MarkChange], None] | None,
        units: UnitsName = "metric",
        plain_blocks: bool = False,
        sessions: SessionList | None = None,
        program: Sequence[str] = (),
    ) -> None:
        self.past = past
        self.traces = Traces(past, limits, SpanFigures(None if machine is None else machine.pack), title)
        self.traces.window.follows, self.traces.window.width = False, None
        self.cursor = CursorPlay(self.traces, SystemClock())
        self.cells = None if machine is None else CellsAtCursor(machine)
        self._limits, self._drawn_at = limits, -1
        self.snapshot = Snapshot(limits, past.start)
        self.next: int | None = None
        self.dashboard = Dashboard(
            self.snapshot,
            ReviewControl(self, keep),
            CursorClock(self.traces),
            name,
            self.traces,
            recorded=False,
            test_sound=False,
            scale=pack_scale(machine),
            units=units,
            plain_blocks=plain_blocks,
            cursor=self.cursor,
            open_session=self._open,
            sessions=sessions,
            program=program,
            before_paint=self.follow,
        )
        self.dashboard.start_view("3")
        self.screen = TerminalScreen(self.dashboard, detected_colours())

    def _open(self, session: int, _is_recorded: bool) -> str:
        """Leave for another session."""
        self.next = session
        self.screen.exit()
        return ""

    def follow(self, view: str) -> None:
        """Bring the snapshot to the cursor, for a view that draws from it."""
        self.past.poll()
        self._bring(view, self.traces.cursor)
        if view == "2" and self.cells is not None:
            self.snapshot.cell_figures = self.cells.at(self.past, self.traces.cursor)

    def _bring(self, view: str, t: int) -> None:
        if view == "3":  # an alarm of another moment must not take its rows
            if self._drawn_at >= 0:
                self.snapshot.become(Snapshot(self._limits, self.past.start))
                self.forget()
            return
        if t == self._drawn_at:
            return
        since = t - _SEEN_S * MICROSECONDS
        if not since < self._drawn_at < t:
            self.snapshot.become(Snapshot(self._limits, self.past.start))
            self._take(since, t, _until(self.past.all_events, self.past.start - MICROSECONDS, t))
        else:
            self._take(self._drawn_at + 1, t, _until(self.past.all_events, self._drawn_at, t))
        self._drawn_at = t

    def _take(self, first: int, last: int, events: tuple[Event, ...]) -> None:
        try:
            batches = self.past.recent(first, last)
        except ShakedownError:  # no longer in memory: the views say that nothing is known
            batches = ()
        self.snapshot.take(Span(last, tuple(batches), events))
        for signal in self.snapshot.strips:  # the rows taken are the latest ones alone; the extremes are of all
            ends = self.past.extremes_until(signal, last)
            if ends is not None:
                self.snapshot.extremes[signal] = ends
        self.snapshot.peak_power = self.snapshot.extremes.get("pack_power", (None, None))[1]

    def forget(self) -> None:
        """Make the snapshot anew at the next paint."""
        self._drawn_at = -1


def _until(events: Sequence[Event], after: int, t: int) -> tuple[Event, ...]:
    """Return the events after one time up to another."""
    return tuple(event for event in events if after < event.t <= t)


class CursorClock:
    """The cursor as a clock."""

    def __init__(self, traces: Traces) -> None:
        self._traces = traces

    def now(self) -> int:
        """Return the moment of the cursor."""
        return self._traces.cursor

    async def sleep_until(self, t: int) -> None:
        """Nothing waits by the cursor."""
        raise NotImplementedError(t)


class ReviewControl:
    """What the operator may do to a session that is over: set marks, and play; a RunControl."""

    is_replay = True
    leaving = "leaves"

    def __init__(self, made: Review, keep: Callable[[Mark | MarkChange], None] | None) -> None:
        self._review, self._keep = made, keep
        self.why_no_marks = NO_MARKS if keep is None else ""

    def mark(self, text: str, t: int | None = None) -> str:
        """Set a mark at ``t``, at the cursor where None; it is kept with the session."""
        return self._take(Mark(self._review.traces.cursor if t is None else t, text))

    def change_mark(self, of: int, text: str, taken_back: bool = False) -> str:
        """Give the mark set at ``of`` its words, or take it back."""
        return self._take(MarkChange(self._review.traces.cursor, of, text, taken_back))

    def _take(self, mark: Mark | MarkChange) -> str:
        if self._keep is None:
            return self.why_no_marks
        try:
            self._keep(mark)
        except ShakedownError as error:
            return f"mark not kept: {error}"
        past = self._review.past
        past.take_event(mark)
        if isinstance(mark, Mark):
            past.all_events.append(mark)
        else:
            past.all_events[:] = [mark.applied(e) if isinstance(e, Mark) else e for e in past.all_events]
        self._review.snapshot.take(Span(self._review.snapshot.end, (), (mark,)))  # its words, until it is made anew
        self._review.forget()
        return ""

    def acknowledge(self, limit: str | None = None, signal: str | None = None) -> None:
        """Nothing waits any more."""

    def shelve(self, limit: str, signal: str | None, for_s: float) -> None:
        """Nothing is raised any more."""

    def unshelve(self, limit: str | None = None, signal: str | None = None) -> None:
        """Nothing is shelved any more."""

    def reset_latch(self, limit: str | None = None, signal: str | None = None) -> None:
        """Nothing is latched any more."""

    def try_now(self, source: str) -> bool:  # noqa: ARG002 - no link is open
        """Tell that no link waits."""
        return False

    def stop(self) -> None:
        """Nothing goes on."""

    @property
    def speed(self) -> float | None:
        """Times real time that the cursor plays at; 0 while it stands."""
        return self._review.cursor.speed if self._review.cursor.goes else 0.0

    def set_speed(self, speed: float | None) -> None:
        """Play from the cursor at ``speed``; 0 lets it stand."""
        cursor = self._review.cursor
        if speed == 0:
            cursor.stop()
            return
        cursor.set_speed(cursor.speed if speed is None else speed)
        if not cursor.goes:
            cursor.start()

    going_to: int | None = None
    """All of a session is here already."""

    def go_on_to(self, t: int) -> bool:  # noqa: ARG002 - nothing is still to come
        """Tell that nothing is still to come."""
        return False


class CellsAtCursor:
    """Compares the cells at one moment after another, as a run that had come as far would.

    Args:
        machine: what its owner states.

    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._of: int | None = None
        self._found: CellFigures | None = None
        self._thread: threading.Thread | None = None

    def at(self, past: Past, t: int) -> CellFigures | None:
        """Return what is known at ``t``, int microseconds; what was known shortly before until that is found."""
        block = t // BLOCK
        if self._of != block and (self._thread is None or not self._thread.is_alive()):
            self._of = block
            try:
                recording = past.recording(max(past.start, t - LOOKED_AT), t)
            except ShakedownError:  # no longer in memory
                self._found = None
                return None
            self._thread = threading.Thread(target=self._find, args=(recording,), name="cells", daemon=True)
            self._thread.start()
        found = self._found
        return found if found is not None and t - LOOKED_AT <= found.t <= t else None

    def _find(self, recording: Recording) -> None:
        watch, found = CellWatch(self._machine), None
        try:
            for span in recording.spans():
                found = watch.advance(span).cells or found
        except ShakedownError:  # the traces say so
            found = None
        except Exception:
            log.exception("the cells at the cursor could not be compared")
        self._found = found

    def wait(self) -> None:
        """Wait for what is being found."""
        if self._thread is not None:
            self._thread.join()
