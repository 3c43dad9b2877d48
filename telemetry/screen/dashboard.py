"""The dashboard: one panel, one timer, keys. It computes nothing: what it draws is in the snapshot."""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import suppress
from typing import ClassVar

from textual import events
from textual.app import App, ComposeResult

from telemetry.model.clock import Clock, SystemClock
from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.alarm_keys import AlarmKeys
from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.footer import (
    ENDING,
    LEAVE_QUESTION,
    draw_entry,
    draw_footer,
    draw_message,
    footer_items,
)
from telemetry.screen.mark_entry import OPEN_US, PLAIN, PRESETS, MarkEntry
from telemetry.screen.panel import Ground, Panel
from telemetry.screen.scales import PackScale
from telemetry.screen.scene import Scene
from telemetry.screen.settled import Settlement
from telemetry.screen.sound import Sounder
from telemetry.screen.speeds import next_speed
from telemetry.screen.strips import SECONDS_EACH
from telemetry.screen.theme import Colours, Light, detected_colours, palette
from telemetry.screen.units import UNITS, UnitsName
from telemetry.screen.views import SCROLLED_VIEWS, VIEWS, draw_view

PAINT_EVERY_S = 0.2
_MESSAGE_US = 4_000_000
_LEAVE_US = 6_000_000
_FLASH_US = 500_000


def _end_with_the_terminal() -> None:
    """Let a closed terminal end the program.

    The system then sends SIGHUP and SIGCONT. The library takes the second for a return from the background and starts
    another thread that reads the keys; it would read from the closed terminal for ever.
    """
    for name in ("SIGCONT", "SIGTSTP"):
        with suppress(AttributeError, ValueError):  # not on Windows, and only in the main thread
            signal.signal(getattr(signal, name), signal.SIG_DFL)


class Dashboard(App[None], inherit_bindings=False):
    """The screen of a run; ``await dashboard.run_async()`` shows it until it is left.

    Args:
        snapshot: what is known; somebody else feeds it.
        control: what keys do to the run.
        clock: the run's clock; ages are reckoned by it.
        machine_name: shown at the top.
        recorded: whether the run is written to a store.
        sounder: where alarms are heard; the screen only tests and mutes it.
        test_sound: sound the test at the start.
        leave_at_end: leave as soon as the run has ended, else wait for a key.
        light: colours for sunlight or dusk to begin with.
        colours: how many the terminal takes; found out where None.
        wall: real time, for messages and flashing.
        presets: words of marks set by one key.
        mark_keys: keys that set a mark without words, for a button that acts as a keyboard.
        scale: what the machine file says of the pack.
        units: of speed, area and temperature.

    """

    CSS: ClassVar[str] = "Screen { overflow: hidden; }"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT = False
    TITLE = "shakedown"

    def __init__(
        self,
        snapshot: Snapshot,
        control: RunControl,
        clock: Clock,
        machine_name: str,
        *,
        recorded: bool = True,
        sounder: Sounder | None = None,
        test_sound: bool = True,
        leave_at_end: bool = False,
        light: Light = "sun",
        colours: Colours | None = None,
        wall: Clock | None = None,
        presets: tuple[str, ...] = PRESETS,
        mark_keys: tuple[str, ...] = (),
        scale: PackScale | None = None,
        units: UnitsName = "metric",
    ) -> None:
        self._colours: Colours = detected_colours() if colours is None else colours
        super().__init__(ansi_color=self._colours != "full")
        self.animation_level = "none"
        self._snapshot = snapshot
        self._control = control
        self._clock = clock
        self._machine_name = printable(machine_name)
        self._recorded = recorded
        self._sounder = sounder
        self._test_sound = test_sound
        self._leave_at_end = leave_at_end
        self._wall: Clock = SystemClock() if wall is None else wall
        self._presets = presets
        self._mark_keys = mark_keys
        self._scale = PackScale() if scale is None else scale
        self._units = UNITS[units]
        self._settled = Settlement()
        self._light: Light = light
        self._palette = palette(light, self._colours)
        self._view = "1"
        self._scrolled = 0
        self._scroll_most = 0
        self._seconds_each = SECONDS_EACH[1]
        self._entry: MarkEntry | None = None
        self._message: tuple[str, int] | None = None
        self._leave_until: int | None = None
        self._alarm_keys = AlarmKeys(snapshot, control, self._wall, self._say)
        self._ending = False
        self._ended: tuple[str, int] | None = None
        self._resume_speed: float | None = 1.0
        self._panel = Panel()
        self._canvas: Canvas | None = None
        self._keys = self._key_table()

    def _key_table(self) -> dict[str, Callable[[], None]]:
        table: dict[str, Callable[[], None]] = {
            "space": self._open_entry,
            "enter": self._alarm_keys.acknowledge,
            "t": self._change_light,
            "z": self._change_zoom,
            "s": self._start_sound_test,
            "m": self._mute,
            "h": self._alarm_keys.ask_how_long,
            "u": self._alarm_keys.unshelve,
            "r": self._alarm_keys.reset,
            "q": self._ask_to_leave,
        }
        if self._control.is_replay:
            table |= {"p": self._pause, "plus": self._faster, "minus": self._slower}
        return table

    def get_default_screen(self) -> Ground:
        """Give the ground that the panel covers."""
        return Ground(id="_default")

    def compose(self) -> ComposeResult:
        """Give the one panel."""
        yield self._panel

    def on_mount(self) -> None:
        """Start the one timer, and the sound test."""
        _end_with_the_terminal()
        self.set_interval(PAINT_EVERY_S, self.paint)
        if self._sounder is not None:
            self._sounder.bell = self.bell
            if self._test_sound:
                self._start_sound_test()
        if self._ended is not None and self._leave_at_end:
            self.exit()

    def on_resize(self) -> None:
        """Draw for the new size at once."""
        self.paint()

    def run_ended(self, message: str) -> None:
        """Say that the run is over; the last figures stay until a key is pressed, unless told to leave at once."""
        self._close_entry()
        self._ended = (printable(message, 200), self._clock.now())
        if self.is_running:
            if self._leave_at_end or self._ending:
                self.exit()
            else:
                self.paint()

    def paint(self) -> None:
        """Draw the present moment; only lines that changed reach the terminal."""
        if not self._panel.is_mounted:
            return
        wall = self._wall.now()
        if self._entry is not None and wall >= self._entry.closes_at:
            self._close_entry()
        width, height = self.size
        self._panel.show(self.drawn_lines(width, height, wall), width)

    def drawn_lines(self, width: int, height: int, wall: int) -> list[Line]:
        """Return the present moment drawn for a terminal of ``width`` by ``height``."""
        canvas = Canvas(width, height, self._palette)
        self._scroll_most = draw_view(self._view, canvas, self._scene(wall))
        self._draw_last_row(canvas, wall)
        before, self._canvas = self._canvas, canvas
        return canvas.lines(before)

    def _scene(self, wall: int) -> Scene:
        ended, now = (None, self._clock.now()) if self._ended is None else self._ended
        if self._control.is_replay:  # a fast plan runs seconds ahead of what it has given out: that is not age
            now = min(now, self._snapshot.end)
        return Scene(
            self._snapshot,
            now,
            self._machine_name,
            self._run_word(),
            self._recorded,
            ended,
            "" if self._sounder is None else self._sounder.note(wall),
            bool(wall // _FLASH_US % 2),
            self._seconds_each,
            self._scrolled,
            self._settled,
            self._scale,
            self._units,
        )

    def _run_word(self) -> str:
        if not self._control.is_replay:
            return "recording" if self._recorded else "not recorded"
        speed = self._control.speed
        pace = "at most speed" if speed is None else "paused" if speed == 0 else f"x{speed:g}"
        return f"replay {pace}"

    def _draw_last_row(self, canvas: Canvas, wall: int) -> None:
        if self._entry is not None:
            draw_entry(canvas, self._entry, clock_at(self._entry.t, self._snapshot.start))
        elif self._ended is not None:
            draw_message(canvas, f"{self._ended[0]}; any key leaves", asks=True)
        elif self._ending:
            draw_message(canvas, ENDING, asks=True)
        elif (question := self._alarm_keys.question) is not None:
            draw_message(canvas, question, asks=True)
        elif self._leave_until is not None and wall < self._leave_until:
            draw_message(canvas, LEAVE_QUESTION, asks=True)
        elif self._message is not None and wall < self._message[1]:
            draw_message(canvas, self._message[0], asks=False)
        else:
            items = footer_items(self._light, self._control.is_replay, *self._alarm_keys.offered)
            draw_footer(canvas, items)

    # Keys

    def on_key(self, event: events.Key) -> None:
        """Take a key; everything is drawn at once, so that the answer is seen."""
        event.stop()
        event.prevent_default()
        self._press(event.key, event.character)
        if not self._exit:
            self.paint()

    def _press(self, key: str, character: str | None) -> None:
        if character is not None and len(character) == 1 and character.isupper() and self._entry is None:
            key = character.lower()
        leaving = key in ("q", "ctrl+c", "ctrl+q")
        if self._ended is not None:
            self.exit()
        elif self._is_mark_key(key, character):
            self._close_entry()
            self._set_mark(PLAIN, self._clock.now())
        elif self._entry is not None and key not in ("ctrl+c", "ctrl+q"):
            self._type(self._entry, key, character)
        elif leaving:
            self._alarm_keys.drop_question()
            self._ask_to_leave()
        elif self._alarm_keys.question is not None:
            self._alarm_keys.answer(key)
        elif self._leave_until is not None and self._wall.now() < self._leave_until:
            self._leave_until = None
        else:
            self._do(key)

    def _is_mark_key(self, key: str, character: str | None) -> bool:
        """Tell whether the key marks; while words are typed, one that is a letter is typed like any other."""
        typed = character is not None and character.isprintable()
        return (key in self._mark_keys or character in self._mark_keys) and not (typed and self._entry is not None)

    def _do(self, key: str) -> None:
        if key in self._keys:
            self._keys[key]()
        elif key in VIEWS:
            self._view, self._scrolled = key, 0
        elif key in ("up", "down") and self._view in SCROLLED_VIEWS:
            step = 1 if key == "down" else -1
            self._scrolled = min(max(0, self._scrolled + step), self._scroll_most)

    def _say(self, message: str) -> None:
        self._message = (message, self._wall.now() + _MESSAGE_US)

    def _open_entry(self) -> None:
        if self._control.why_no_marks:
            self._say(self._control.why_no_marks)
            return
        self._entry = MarkEntry(self._clock.now(), self._wall.now() + OPEN_US, self._presets)

    def _type(self, entry: MarkEntry, key: str, character: str | None) -> None:
        entry.closes_at = self._wall.now() + OPEN_US
        again = key == "space" and not entry.text
        if entry.press(key, character):
            self._close_entry()
        if again:
            self._open_entry()

    def _close_entry(self) -> None:
        """Set the mark of an entry that is open, with what words it has: no mark is ever lost."""
        if self._entry is not None:
            entry, self._entry = self._entry, None
            self._set_mark(entry.words, entry.t)

    def _set_mark(self, words: str, t: int) -> None:
        at = clock_at(t, self._snapshot.start)
        self._say(self._control.mark(words, t) or f"mark set at {at}: {printable(words, 30)}")

    def _change_light(self) -> None:
        self._light = "dusk" if self._light == "sun" else "sun"
        self._palette = palette(self._light, self._colours)

    def _change_zoom(self) -> None:
        place = SECONDS_EACH.index(self._seconds_each)
        self._seconds_each = SECONDS_EACH[(place + 1) % len(SECONDS_EACH)]

    def _ask_to_leave(self) -> None:
        now = self._wall.now()
        if self._ending:
            self.exit()
        elif self._leave_until is not None and now < self._leave_until:
            self._close_entry()
            self._ending = True
            self._control.stop()
        else:
            self._leave_until = now + _LEAVE_US

    # Sound

    def _start_sound_test(self) -> None:
        if self._sounder is None:
            self._say("sound is off for this run")
        else:
            self.run_worker(self._sound_test(self._sounder), exclusive=True, exit_on_error=False)

    async def _sound_test(self, sounder: Sounder) -> None:
        self._say("sound test …")
        self._say(await sounder.test())

    def _mute(self) -> None:
        if self._sounder is None:
            self._say("sound is off for this run")
        else:
            self._say(self._sounder.toggle_mute())

    # Replay

    def _pause(self) -> None:
        if self._control.speed == 0:
            self._control.set_speed(self._resume_speed)
        else:
            self._resume_speed = self._control.speed
            self._control.set_speed(0.0)

    def _faster(self) -> None:
        self._step_speed(1)

    def _slower(self) -> None:
        self._step_speed(-1)

    def _step_speed(self, step: int) -> None:
        chosen = next_speed(self._resume_speed if self._control.speed == 0 else self._control.speed, step)
        self._resume_speed = chosen
        self._control.set_speed(chosen)
