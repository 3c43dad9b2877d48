"""The dashboard of a run: its views, prompts and messages. It computes nothing: what it draws is in the snapshot."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from telemetry.guided.leading import Leader
from telemetry.model.clock import Clock, SystemClock
from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.raw_ring import RawTail
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.actions import ENDING, Actions
from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.cursor_play import CursorPlay
from telemetry.screen.footer import draw_footer
from telemetry.screen.links_view import LinkFacts
from telemetry.screen.mark_entry import MarkEntry
from telemetry.screen.prompt import draw_message
from telemetry.screen.scene import PackScale, Scene
from telemetry.screen.session_list import SessionList
from telemetry.screen.settled import Settlement
from telemetry.screen.sound import Sounder
from telemetry.screen.terminal import TerminalScreen
from telemetry.screen.theme import Colours, Palette, detected_colours, lacks_eighths, palette
from telemetry.screen.traces import Traces
from telemetry.screen.units import UNITS, UnitsName
from telemetry.screen.views import draw_view
from telemetry.screen.words import Headline

_FLASH_US = 500_000


class Dashboard:
    """What the screen shows of a run; a :class:`telemetry.screen.terminal.Face`.

    Args:
        snapshot: what is known; somebody else feeds it.
        control: what keys do to the run.
        clock: the run's clock; ages are reckoned by it.
        machine_name: shown at the top.
        traces: what the traces show.
        recorded: whether the run is written to a store.
        sounder: where alarms are heard; the screen only tests and mutes it.
        test_sound: sound the test at the start.
        leave_at_end: leave as soon as the run has ended, else wait for a key.
        colours: how many the terminal takes; found out where None.
        wall: real time, for messages and flashing.
        mark_keys: keys that set a mark without words, for a button that acts as a keyboard.
        scale: what the machine file says of the pack.
        units: of speed, area and temperature.
        plain_blocks: draw traces of full and half blocks only; always so where the terminal's fonts lack the others.
        cursor: plays a session that is looked at afterwards.
        open_session: opens another session in place of this one; None where a run goes on.
        before_paint: called with the view that is drawn next, so that the snapshot can follow the cursor.
        facts: of each source, for the links view.
        raw: the last raw pieces of the links; None where there are none.
        sessions: the list of recorded sessions; None where there is no store.
        program: words that run this program as a command beside the screen.
        leader: leads the driver through a guided drive; None where nothing does.
        run_word: how the run goes, where that is neither a recording nor a replay; None for these.

    """

    def __init__(
        self,
        snapshot: Snapshot,
        control: RunControl,
        clock: Clock,
        machine_name: str,
        traces: Traces,
        *,
        recorded: bool = True,
        sounder: Sounder | None = None,
        test_sound: bool = True,
        leave_at_end: bool = False,
        colours: Colours | None = None,
        wall: Clock | None = None,
        mark_keys: tuple[str, ...] = (),
        scale: PackScale | None = None,
        units: UnitsName = "metric",
        plain_blocks: bool = False,
        facts: Mapping[str, LinkFacts] | None = None,
        raw: RawTail | None = None,
        sessions: SessionList | None = None,
        program: Sequence[str] = (),
        run_word: Callable[[], str] | None = None,
        cursor: CursorPlay | None = None,
        open_session: Callable[[int, bool], str] | None = None,
        before_paint: Callable[[str], None] | None = None,
        leader: Leader | None = None,
    ) -> None:
        self._colours: Colours = detected_colours() if colours is None else colours
        self._plain_blocks = plain_blocks or lacks_eighths(self._colours)
        self._snapshot = snapshot
        self._control = control
        self._clock = clock
        self._machine_name = printable(machine_name)
        self._recorded = recorded
        self._sounder = sounder
        self._leave_at_end = leave_at_end
        self._sounds_test = test_sound
        self._wall: Clock = SystemClock() if wall is None else wall
        self._traces = traces
        self._before_paint = before_paint
        self._actions = Actions(
            snapshot,
            control,
            clock,
            self._wall,
            self._traces,
            cursor=cursor,
            open_session=open_session,
            mark_keys=mark_keys,
            facts=facts,
            raw=raw,
            test_sound=None if sounder is None else self._start_sound_test,
            toggle_mute=None if sounder is None else sounder.toggle_mute,
            leave=self._leave,
            sessions=sessions,
            program=program,
            leader=leader,
        )
        self._word_of_run = run_word
        self._traces.figures.say = self._actions.say
        self._scale = PackScale() if scale is None else scale
        self._units = UNITS[units]
        self._settled = Settlement()
        self.prompt: Headline | None = None
        """What is asked of the driver in place of the leader's words; blue, while no alarm needs the band."""
        self._ended: tuple[str, int] | None = None
        self._canvas: Canvas | None = None
        self._screen: TerminalScreen | None = None

    def start_view(self, digit: str) -> None:
        """Begin with another view than the drive view."""
        self._actions.shown.view = digit

    def begin(self, screen: TerminalScreen, /) -> None:
        """Start the sound test; leave at once where the run is over already and nobody waits for a key."""
        self._screen = screen
        if self._sounder is not None:
            self._sounder.bell = screen.bell
            if self._sounds_test:
                self._start_sound_test()
        if self._ended is not None and self._leave_at_end:
            screen.exit()

    def _leave(self) -> None:
        if self._screen is not None:
            self._screen.exit()

    def run_ended(self, message: str) -> None:
        """Say that the run is over; the last figures stay until a key is pressed, unless told to leave at once."""
        self._actions.close_prompt()
        self._ended = (printable(message, 200), self._clock.now())
        if self._screen is None:
            return
        if self._leave_at_end or self._actions.ending:
            self._screen.exit()
        else:
            self._screen.paint()

    def lines(self, width: int, height: int, /) -> list[Line]:
        """Close what has waited long enough, and return the present moment drawn."""
        self._actions.tick()
        return self.drawn_lines(width, height, self._wall.now())

    def drawn_lines(self, width: int, height: int, wall: int) -> list[Line]:
        """Return the present moment drawn for a terminal of ``width`` by ``height``."""
        actions = self._actions
        canvas = Canvas(width, height, self._palette)
        if self._before_paint is not None:
            self._before_paint(actions.shown.view)
        scene = self._scene(wall)
        prompt = actions.prompt
        if isinstance(prompt, MarkEntry):
            prompt.at_top = scene.headline is not None
        page = prompt.draw if prompt is not None and prompt.is_page else None
        actions.view_drawn = draw_view(
            actions.shown, actions.links_shown, canvas, scene, page, actions.sessions.draw, self._traces
        )
        self._draw_last_row(canvas)
        actions.prompt_drawn = prompt.draw(canvas) if prompt is not None and page is None else actions.view_drawn
        before, self._canvas = self._canvas, canvas
        return canvas.lines(before)

    @property
    def _palette(self) -> Palette:
        return palette(self._actions.shown.light, self._colours, self._plain_blocks)

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
            self._actions.shown.scrolled.get(self._actions.shown.view, 0),
            self._settled,
            self._scale,
            self._units,
            self.prompt or self._actions.guide.prompt,
        )

    def _run_word(self) -> str:
        if self._word_of_run is not None:
            return self._word_of_run()
        if not self._control.is_replay:
            return "recording" if self._recorded else "not recorded"
        if (target := self._control.going_to) is not None:
            return f"replay goes to {clock_at(target, self._snapshot.start)}"
        speed = self._control.speed
        pace = "at most speed" if speed is None else "paused" if speed == 0 else f"x{speed:g}"
        return f"{'review' if self._traces.title else 'replay'} {pace}"

    def _draw_last_row(self, canvas: Canvas) -> None:
        actions = self._actions
        actions.footer = []
        if self._ended is not None:
            draw_message(canvas, f"{self._ended[0]}; any key leaves", asks=True)
        elif actions.ending:
            draw_message(canvas, ENDING, asks=True)
        elif actions.prompt is not None:
            canvas.label(1, canvas.height - 1, actions.prompt.keys)
        elif actions.message is not None:
            draw_message(canvas, actions.message, asks=False)
        else:
            actions.footer = draw_footer(
                canvas, actions.shown.view, actions.needs, self._control.is_replay, bool(self._traces.title)
            )

    # Keys and mouse

    def press(self, key: str, character: str | None, /) -> None:
        """Take a key; once the run has ended any key leaves."""
        if character is not None and len(character) == 1 and character.isupper():
            typed = self._actions.prompt is not None and self._actions.prompt.types
            key = key if typed else character.lower()  # capitals by the lock key mean the same
        if self._ended is not None:
            self._leave()
        else:
            self._actions.press(key, character)

    def click(self, x: int, y: int, /) -> None:
        """Take a click: what is drawn there says which key it stands for."""
        if self._ended is None:
            self._actions.click(x, y)

    def scroll(self, step: int, /) -> None:
        """Take a step of the wheel."""
        self._actions.scroll(step)

    def _start_sound_test(self) -> None:
        if self._sounder is not None and self._screen is not None:
            self._screen.run_worker(self._sound_test(self._sounder), exclusive=True, exit_on_error=False)

    async def _sound_test(self, sounder: Sounder) -> None:
        self._actions.say("sound test …")
        self._actions.say(await sounder.test())
