"""The first screen and the list of sessions without a run, and what their keys do.

Leaving gives the words of the command that a key asked for, to be run in the terminal.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from telemetry.model.clock import Clock, SystemClock
from telemetry.screen.canvas import Canvas, Line
from telemetry.screen.footer import draw_footer_items
from telemetry.screen.keys import SESSION_KEYS, FooterItem, Key, fitting, footer_gap
from telemetry.screen.page import Drawn, Target
from telemetry.screen.prompt import draw_message
from telemetry.screen.session_keys import SessionKeys
from telemetry.screen.session_list import SessionList
from telemetry.screen.start_facts import StartFacts
from telemetry.screen.start_page import LAST_SESSIONS, draw_start
from telemetry.screen.theme import Colours, Light, lacks_eighths, palette

if TYPE_CHECKING:
    from telemetry.screen.prompt import Prompt
    from telemetry.screen.terminal import TerminalScreen

MESSAGE_US = 4_000_000
Page = str


class Facts(Protocol):
    """Finds out what there is; :class:`telemetry.runs.survey.Survey`."""

    facts: StartFacts

    def start(self) -> None:
        """Begin to look."""
        ...


_BOTH = "start 6"
START_KEYS: tuple[Key, ...] = (
    Key("up", "choose", "choose the session above", "session_above", _BOTH),
    Key("down", "choose", "choose the session below", "session_below", _BOTH),
    Key("enter", "next", "do what is next; once a session is chosen, review it", "enter", "start"),
    Key("enter", "review", "review the chosen session", "review_session", "6"),
    Key("d", "demo", "watch a simulated machine drive, with a fault to find", "demo", "start"),
    Key("n", "new machine", "describe a machine in a few questions", "new_machine", "start"),
    Key("w", "watch", "watch the machine and record it", "line_w", "start"),
    Key("f", "fit", "read whether the parts fit each other", "line_f", "start"),
    Key("e", "first power", "go on with first power, or read it", "line_e", "start"),
    Key("a", "set up", "list what is in reach, to set it up", "line_a", "start"),
    *(
        Key(str(n), "review", f"review the session in line {n}", f"line_{n}", "start")
        for n in range(1, LAST_SESSIONS + 1)
    ),
    Key("6", "all sessions", "list all sessions", "all_sessions", "start"),
    *SESSION_KEYS,
    Key("h", "help", "show this list", "help", _BOTH),
    Key("c", "commands", "find a command by typing", "commands", _BOTH),
    Key("t", "sun, dusk", "change colours: sun or dusk", "change_light", _BOTH),
    Key("escape", "back", "show all sessions, then go back to the first screen", "back", "6"),
    Key("q", "leave", "leave", "leave", _BOTH),
)
FOOTERS: dict[Page, tuple[str, ...]] = {
    "start": ("enter", "d", "n", "6", "h", "q"),
    "6": ("up", "enter", "f", "w", "x", "escape", "h", "e", "n", "q"),
}
_WHAT_IT_SHOWS: dict[Page, tuple[str, ...]] = {
    "start": (
        "The blue line is the next step for the machine file of this folder; enter does it.",
        "Nothing is sent to find links; one that only listens is opened for 3 s to see whether it answers.",
    ),
    "6": (
        "Every recorded session with its verdict, and its power on one scale for all.",
        "Verdicts that are missing are found meanwhile, the newest first, and kept.",
        "To delete a session, choose it, press c and type delete.",
    ),
}


class StartFace:
    """What the screen shows without a run; a :class:`telemetry.screen.terminal.Face`.

    Args:
        facts: what there is.
        sessions: the list.
        program: words that run this program as a command beside the screen.
        page: ``start``, or ``6`` for the list.
        colours: how many the terminal takes.
        wall: real time.

    """

    def __init__(
        self,
        facts: Facts,
        sessions: SessionList,
        program: Sequence[str],
        *,
        colours: Colours,
        page: Page = "start",
        wall: Clock | None = None,
    ) -> None:
        self._colours = colours
        self._wall: Clock = SystemClock() if wall is None else wall
        self._facts, self._list, self._program = facts, sessions, tuple(program)
        self.page = page
        self.light: Light = "sun"
        self._is_store_read = False
        self.prompt: Prompt | None = None
        self._message: tuple[str, int] | None = None
        self._screen: TerminalScreen | None = None
        self._canvas: Canvas | None = None
        self._drawn = Drawn()
        self._over: Drawn | None = None
        self._footer: list[Target] = []
        self._sessions: SessionKeys | None = None

    def begin(self, screen: TerminalScreen, /) -> None:
        """Only once the first picture stands look round and read the store."""
        self._screen = screen
        screen.call_after_refresh(self._look_round)

    def _look_round(self) -> None:
        self._facts.start()
        self._is_store_read = True
        if self._screen is not None:
            self._screen.paint()

    def _leave(self, words: tuple[str, ...] | None) -> None:
        if self._screen is not None:
            self._screen.exit(words)

    def lines(self, width: int, height: int, /) -> list[Line]:
        """Return the present moment drawn for a terminal of ``width`` by ``height``."""
        canvas = Canvas(width, height, palette(self.light, self._colours, lacks_eighths(self._colours)))
        now, prompt = self._wall.now(), self.prompt
        if prompt is not None and now >= prompt.closes_at:
            self._close_prompt()
            prompt = None
        if self._is_store_read:
            self._list.look(now)
            self._keys.tick()
        if prompt is not None and prompt.is_page:
            self._drawn = prompt.draw(canvas) or Drawn()
        elif self.page == "6":
            self._drawn = self._keys.draw(canvas)
        else:
            self._drawn = draw_start(canvas, self._facts.facts, self._list, now)
        self._draw_last_row(canvas)
        self._over = None if prompt is None or prompt.is_page else prompt.draw(canvas)
        before, self._canvas = self._canvas, canvas
        return canvas.lines(before)

    def _draw_last_row(self, canvas: Canvas) -> None:
        self._footer = []
        if self.prompt is not None:
            canvas.label(1, canvas.height - 1, self.prompt.keys)
        elif self._message is not None and self._wall.now() < self._message[1]:
            draw_message(canvas, self._message[0], asks=False)
        else:
            self._footer = draw_footer_items(canvas, self._footer_items(canvas.width))

    def _footer_items(self, width: int) -> list[FooterItem]:
        rows = {row.key: row for row in self._rows()}
        items = []
        for key in FOOTERS[self.page]:
            does = "review" if key == "enter" and self._list.chosen is not None else rows[key].short
            items.append(FooterItem("up down" if key == "up" else key, does, key))
        return fitting(items, width, footer_gap(width))

    def _rows(self) -> list[Key]:
        return [row for row in START_KEYS if self.page in row.views.split()]

    # Keys and mouse

    def press(self, key: str, character: str | None, /) -> None:
        """Do what a key means."""
        if character is not None and len(character) == 1 and character.isupper():
            key = key if self.prompt is not None and self.prompt.types else character.lower()
        self._message = None
        prompt = self.prompt
        if key in ("ctrl+c", "ctrl+q"):
            self._leave(None)
        elif prompt is not None:
            if prompt.press(key, character):
                self._close_prompt()
        elif (row := next((row for row in self._rows() if row.key == key), None)) is not None:
            self._do(row.action)

    def _do(self, action: str) -> None:
        if action.startswith("line_"):
            self._line(action.removeprefix("line_"))
        else:
            getattr(self if hasattr(self, action) else self._keys, action)()

    def _close_prompt(self) -> None:
        prompt, self.prompt = self.prompt, None
        if prompt is not None:
            prompt.close()

    def click(self, x: int, y: int, /) -> None:
        """Take a click: what is drawn there says which key it stands for."""
        over = self._over.targets if self.prompt is not None and self._over is not None else None
        targets = [*self._footer, *self._drawn.targets] if over is None else over
        hit = next((each for each in targets if each.y == y and each.x <= x < each.x + each.width), None)
        if hit is None or (self.prompt is not None and over is None):
            return
        choose = getattr(self.prompt, "choose", None)
        if hit.press:
            self.press(hit.press, hit.press)
        elif choose is not None:
            if choose(hit.choose):
                self._close_prompt()
        elif isinstance(hit.choose, int):
            self._list.chosen = hit.choose

    def scroll(self, step: int, /) -> None:
        """Move up or down."""
        self.press("down" if step > 0 else "up", None)

    # What the keys do

    @property
    def _keys(self) -> SessionKeys:
        """What acts on sessions; made with the first need, for it brings the store."""
        if self._sessions is None:
            self._sessions = SessionKeys(self._list, self._wall, self.say, self._open, self._program, self._review)
        return self._sessions

    def say(self, message: str) -> None:
        """Show one sentence for some seconds."""
        self._message = (message, self._wall.now() + MESSAGE_US)

    def _open(self, prompt: Prompt) -> None:
        self.prompt = prompt

    def _review(self, session: int, is_recorded: bool) -> str:
        self._leave(("watch", "--follow") if is_recorded else ("review", str(session)))
        return ""

    def enter(self) -> None:
        """Review the chosen session; on the first screen, before one is chosen, do what is next."""
        if self.page == "start" and self._list.chosen is None:
            words = self._facts.facts.next_words
            if words:
                self._leave(words)
            return
        self._keys.review_session()

    def _line(self, key: str) -> None:
        if key.isdigit():
            entries = self._list.all[: int(key)]
            if len(entries) == int(key):
                self._review(entries[-1].record.id, entries[-1].record.ended is None)
            return
        words = self._facts.facts.words_for(key)
        if words:
            self._leave(words)
        else:
            self.say("nothing here to do that with yet")

    def session_above(self) -> None:
        """Choose the session above."""
        self._keys.session_above()

    def session_below(self) -> None:
        """Choose the session below; on the first screen the first one first, and no further than it shows."""
        if self.page == "start":
            entries = self._list.all
            if self._list.chosen is None:
                self._list.chosen = entries[0].record.id if entries else None
                return
            last = entries[:LAST_SESSIONS]
            if last and self._list.chosen == last[-1].record.id:
                return
        self._keys.session_below()

    def demo(self) -> None:
        """Watch a simulated machine."""
        self._leave(("watch", "--demo"))

    def new_machine(self) -> None:
        """Describe a machine."""
        self._leave(("new-machine",))

    def all_sessions(self) -> None:
        """List all sessions."""
        self.page = "6"

    def back(self) -> None:
        """Show all sessions again, then go back to the first screen."""
        if self._list.text or self._list.comparing is not None:
            self._keys.show_all()
        else:
            self.page = "start"

    def change_light(self) -> None:
        """Change between the colours for sun and for dusk."""
        self.light = "dusk" if self.light == "sun" else "sun"

    def help(self) -> None:
        """Show the keys of this page."""
        from telemetry.screen.help_page import joined, list_page

        self.prompt = list_page("keys of this page", joined(self._rows()), _WHAT_IT_SHOWS[self.page])

    def commands(self) -> None:
        """Open the list of commands."""
        from functools import partial

        from telemetry.screen.commands_box import Command, CommandsBox

        found = [
            Command(row.does, row.key, partial(self._do, row.action))
            for row in self._rows()
            if row.key not in ("up", "down", "c")
        ]
        found += self._keys.commands() if self.page == "6" or self._list.chosen is not None else []
        self.prompt = CommandsBox(found)

    def leave(self) -> None:
        """Leave."""
        self._leave(None)
