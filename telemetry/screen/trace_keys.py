"""What the keys do in the traces: cursor, zoom, jumps, span, play, which signals."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.model.batch import MICROSECONDS
from telemetry.model.errors import ShakedownError
from telemetry.model.time_text import clock
from telemetry.screen.cursor_play import CursorPlay
from telemetry.screen.happenings import Kind, times_of
from telemetry.screen.line_entry import LineEntry
from telemetry.screen.prompt import Prompt
from telemetry.screen.replay_keys import ReplayKeys, next_speed
from telemetry.screen.scene import Shown
from telemetry.screen.signal_choice import SignalChoice
from telemetry.screen.trace_window import CLOSE
from telemetry.screen.traces import Traces

_SOME = 10 * MICROSECONDS
_EVENTS: tuple[Kind, ...] = ("mark", "warn", "trip", "gap", "phase")
_ALARMS: tuple[Kind, ...] = ("warn", "trip")


def time_of_digits(text: str) -> int | None:
    """Return microseconds of ``1549`` or ``0:15:49``: seconds, minutes and hours from the right; None for no time."""
    digits = text.replace(":", "").replace(".", "").strip()
    if not digits.isdecimal():
        return None
    hours, rest = divmod(int(digits), 10_000)
    return (3600 * hours + 60 * (rest // 100) + rest % 100) * MICROSECONDS


class TraceKeys:
    """Moves the cursor and the window of the traces.

    Args:
        traces: whose.
        cursor: plays.
        shown: what the keys have chosen to see.
        say: shows one sentence.
        replay: of a replay that goes on; None live and afterwards.

    """

    def __init__(
        self,
        traces: Traces,
        cursor: CursorPlay,
        shown: Shown,
        say: Callable[[str], None],
        replay: ReplayKeys | None,
    ) -> None:
        self._traces, self._cursor, self._shown, self._say, self._replay = traces, cursor, shown, say, replay
        self._window = traces.window

    def cursor_left(self) -> None:
        """Move the cursor back by a column."""
        self._cursor.stop()
        self._window.step(-1)

    def cursor_right(self) -> None:
        """Move the cursor on by a column."""
        self._cursor.stop()
        self._window.step(1)

    def window_left(self) -> None:
        """Move back by a window."""
        self._cursor.stop()
        self._window.page(-1)

    def window_right(self) -> None:
        """Move on by a window."""
        self._cursor.stop()
        self._window.page(1)

    def to_start(self) -> None:
        """Go to the start."""
        self._cursor.stop()
        self._window.to_start()

    def to_end(self) -> None:
        """Go to the end; of a run that goes on, follow it."""
        self._cursor.stop()
        self._window.to_end()

    def zoom_in(self) -> None:
        """Show a shorter time."""
        self._window.zoom(-1)

    def zoom_out(self) -> None:
        """Show a longer time."""
        self._window.zoom(1)

    def whole_drive(self) -> None:
        """Show the whole drive, or what was before."""
        self._window.whole()

    def next_event(self) -> None:
        """Go to the next mark, alarm, gap or phase."""
        self._jump(1, _EVENTS, "nothing happened after this")

    def event_before(self) -> None:
        """Go to the mark, alarm, gap or phase before."""
        self._jump(-1, _EVENTS, "nothing happened before this")

    def next_alarm(self) -> None:
        """Go to the next alarm, past the last to the first."""
        self._around(_ALARMS, "no alarm")

    def next_mark(self) -> None:
        """Go to the next mark, past the last to the first."""
        self._around(("mark",), "no mark")

    def _jump(self, way: int, kinds: tuple[Kind, ...], otherwise: str) -> None:
        self._cursor.stop()
        if not self._window.jump(times_of(self._traces.moments, *kinds), way):
            self._say(otherwise)

    def _around(self, kinds: tuple[Kind, ...], otherwise: str) -> None:
        self._cursor.stop()
        times = times_of(self._traces.moments, *kinds)
        if not self._window.jump(times, 1):
            if times:
                self._window.show(times[0])
            self._say("from the start again" if times else otherwise)

    def set_end(self) -> None:
        """Set an end of the span at the cursor."""
        count = self._window.set_end()
        if count == 1:
            self._say(f"span from {clock(self._window.cursor / 1e6)}; s again sets its other end")

    def clear_span(self) -> None:
        """Take the span away."""
        self._window.ends = ()

    def write_span(self) -> None:
        """Write the rows of the span to a CSV file."""
        span = self._window.span
        if span is None:
            self._say("no span to write: s sets its ends")
            return
        try:
            self._traces.figures.write(self._traces.past, *span)
        except ShakedownError as error:
            self._say(str(error))

    def back_10_s(self) -> None:
        """Move the cursor back by ten seconds."""
        self._by(-_SOME)

    def on_10_s(self) -> None:
        """Move the cursor on by ten seconds; a replay that goes on plays to there."""
        if self._replay is not None:
            self._replay.go_on_to((self._replay.going_to or self._traces.past.end) + _SOME)
        else:
            self._by(_SOME)

    def _by(self, way: int) -> None:
        self._cursor.stop()
        self._window.show(self._window.cursor + way)

    def go_to(self) -> Prompt:
        """Ask for a time."""
        return LineEntry("go to (1549 is 0:15:49)", "", self._go_to, longest=9)

    def _go_to(self, text: str) -> None:
        t = time_of_digits(text)
        if t is None:
            self._say("a time is digits: hours, minutes, seconds; 1549 is 0:15:49")
            return
        self._cursor.stop()
        if self._replay is not None and self._replay.go_on_to(self._traces.past.start + t):
            self._window.to_end()
            self._say(f"playing on to {clock(t / 1e6)} as fast as possible; p stops it")
            return
        self._window.show(t)
        if t > self._window.length:
            self._say(f"the session ends at {clock(self._window.length / 1e6)}")

    def choose_signals(self) -> Prompt:
        """Show all signals, to choose from."""
        return SignalChoice(self._traces)

    def show(self, t: int) -> None:
        """Show a moment, int microseconds, close up."""
        self._cursor.stop()
        self._traces.fit()
        self._shown.view = "3"
        self._window.show(t - self._traces.past.start, CLOSE)

    def show_lanes(self, *signals: str) -> None:
        """Show these signals, where the cursor is; those that never came are left out."""
        self._traces.window.lanes = tuple(each for each in signals if each in self._traces.past.signals) or None
        self._shown.view = "3"

    def follow(self) -> None:
        """Follow a run that goes on."""
        if self._traces.past.grows:
            self.to_end()

    # Play

    def play(self) -> None:
        """Let the cursor run, or stop it; where a replay is followed, pause that, or go on."""
        if self._replay is not None and self._window.follows:
            self._replay.pause()
        elif self._cursor.goes:
            self._cursor.stop()
        elif not self._cursor.start():
            self._say("this is the end; go back first")

    def play_slower(self) -> None:
        """Play slower."""
        self._change_speed(-1)

    def play_faster(self) -> None:
        """Play faster."""
        self._change_speed(1)

    def _change_speed(self, step: int) -> None:
        if self._replay is not None and self._window.follows:
            self._replay.step_speed(step)
            return
        self._cursor.set_speed(next_speed(self._cursor.speed, step) or self._cursor.speed)
        self._say(f"plays at x{self._cursor.speed:g}")
