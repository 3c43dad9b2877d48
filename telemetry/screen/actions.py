"""Takes keys, clicks and the wheel: each action of :mod:`telemetry.screen.keys` is a method here or of a part.

The parts are what the keys do to alarms, marks, the page on view, links and a replay; each has a file of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from telemetry.alarms.acts import MOVING, alarm_name
from telemetry.alarms.standing import StandingAlarm
from telemetry.guided.leading import Leader
from telemetry.model.clock import Clock
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.raw_ring import RawTail
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.alarm_keys import AlarmKeys
from telemetry.screen.commands_box import Command, CommandsBox
from telemetry.screen.cursor_play import CursorPlay
from telemetry.screen.guide_keys import GuideKeys
from telemetry.screen.help_page import help_page, limit_page
from telemetry.screen.keys import Key, Need, keys_in
from telemetry.screen.link_keys import LinkKeys
from telemetry.screen.links_view import LinkFacts, LinksShown
from telemetry.screen.mark_entry import OPEN_US, MarkEntry
from telemetry.screen.operator_marks import MarkKeys
from telemetry.screen.page import Drawn, Target
from telemetry.screen.page_keys import PageKeys
from telemetry.screen.prompt import ASK_US, LEAVE, Prompt, Question, leave_question
from telemetry.screen.replay_keys import ReplayKeys
from telemetry.screen.scene import Shown
from telemetry.screen.session_keys import SessionKeys
from telemetry.screen.session_list import SessionList
from telemetry.screen.settled import is_phase_known
from telemetry.screen.trace_keys import TraceKeys
from telemetry.screen.traces import Traces

MESSAGE_US = 4_000_000
ENDING = "saving: the run is being ended; q again leaves without waiting for it"


class Actions:
    """Takes keys and clicks.

    Args:
        snapshot: what is known.
        control: what keys do to the run.
        clock: the run's clock.
        wall: real time, for messages and questions.
        traces: what the traces show.
        cursor: plays; made here where None.
        open_session: opens another session, by its number and whether it is being recorded, and returns what to say;
            None where a run goes on.
        mark_keys: keys that set a mark without words.
        facts: of each source, for the links view.
        raw: the last raw pieces of the links; None where there are none.
        test_sound, toggle_mute: return at once; ``toggle_mute`` what to say. None where sound is off for this run.
        leave: leaves the screen.
        sessions: the list of recorded sessions; None where there is no store.
        program: words that run this program as a command.
        leader: leads through a guided drive; None where nothing does.

    Attributes:
        guide: the keys of a guided drive, and what it asks.
        shown: what the keys have chosen to see.
        prompt: what is open over the view and takes the keys; None where nothing is.
        ending: whether the run is being ended.
        view_drawn, prompt_drawn, footer: what the last picture tells of itself, for clicks and choosing.

    """

    def __init__(
        self,
        snapshot: Snapshot,
        control: RunControl,
        clock: Clock,
        wall: Clock,
        traces: Traces,
        *,
        mark_keys: tuple[str, ...] = (),
        facts: Mapping[str, LinkFacts] | None = None,
        raw: RawTail | None = None,
        test_sound: Callable[[], None] | None = None,
        toggle_mute: Callable[[], str] | None = None,
        leave: Callable[[], None] = lambda: None,
        sessions: SessionList | None = None,
        program: Sequence[str] = (),
        cursor: CursorPlay | None = None,
        open_session: Callable[[int, bool], str] | None = None,
        leader: Leader | None = None,
    ) -> None:
        self._snapshot, self._control, self._clock, self._wall = snapshot, control, clock, wall
        self._touched = 0
        self._mark_keys = mark_keys
        self._test_sound, self._toggle_mute, self._leave = test_sound, toggle_mute, leave
        self._alarms = AlarmKeys(snapshot, control, self.say)
        self._traces = traces
        self._marks = MarkKeys(snapshot, control, wall, self.say, self._moment)
        self._message: tuple[str, int] | None = None
        self.shown = Shown()
        self._links = LinkKeys(snapshot, control, self.shown, self.say, facts or {}, raw)
        self.sessions = SessionKeys(
            SessionList(None) if sessions is None else sessions,
            wall,
            self.say,
            self._open,
            program,
            open_session or review_elsewhere,
        )
        replay = ReplayKeys(control)
        goes_on = control.is_replay and traces.past.grows
        self._cursor = CursorPlay(traces, wall) if cursor is None else cursor
        keys = TraceKeys(traces, self._cursor, self.shown, self.say, replay if goes_on else None)
        self._page = PageKeys(snapshot, self.shown, self.say, lambda: self.view_drawn, lambda: self._links.link, keys)
        self.guide = GuideKeys(leader, control, self.say)
        self._parts = (
            self,
            self.guide,
            self._alarms,
            self._marks,
            self._page,
            self._links,
            self.sessions,
            replay,
            keys,
        )
        self.prompt: Prompt | None = None
        self.ending = False
        self.view_drawn = Drawn()
        self.prompt_drawn: Drawn | None = None
        self.footer: list[Target] = []

    # Keys, clicks and the wheel

    def press(self, key: str, character: str | None) -> None:
        """Take a key: a button's mark, what is open, or the action of the table."""
        self.tick()
        self._touched = self._wall.now()
        open_now = self.prompt
        if self._is_mark_key(key, character):
            self.close_prompt()
            self._marks.set()
        elif key in ("ctrl+c", "ctrl+q") and not (isinstance(open_now, Question) and open_now.text.startswith(LEAVE)):
            self.close_prompt()
            self.leave()
        elif open_now is not None:
            self._press_prompt(open_now, "q" if key in ("ctrl+c", "ctrl+q") else key, character)
        elif (row := next((row for row in self._keys() if row.key == key), None)) is not None:
            self.do(row.action)

    def do(self, action: str) -> None:
        """Do an action of the table: its method here, else that of the part that has it."""
        if action.startswith("view_"):
            self.shown.view = action.removeprefix("view_")
        else:
            opened = getattr(next(part for part in self._parts if hasattr(part, action)), action)()
            if opened is not None:
                self.prompt = opened

    def _is_mark_key(self, key: str, character: str | None) -> bool:
        """Tell whether the key marks; while words are typed, one that is a letter is typed like any other."""
        typed = character is not None and character.isprintable()
        is_typed = typed and self.prompt is not None and self.prompt.types
        return (key in self._mark_keys or character in self._mark_keys) and not is_typed

    def _press_prompt(self, prompt: Prompt, key: str, character: str | None) -> None:
        again = isinstance(prompt, MarkEntry) and key == "space" and not prompt.text
        if isinstance(prompt, MarkEntry):
            prompt.closes_at = self._wall.now() + OPEN_US
        if prompt.press(key, character):
            self.close_prompt()
        if again:
            self.mark()

    def click(self, x: int, y: int) -> None:
        """Do what a click at that cell means: what is drawn last is above."""
        over = self.prompt_drawn if self.prompt is not None else None
        if self.prompt is not None and over is not None:
            target = _hit(over.targets, x, y)
            if target is None:
                if not self.prompt.types:
                    self.press("escape", None)
            elif isinstance(self.prompt, CommandsBox) and isinstance(target.choose, int):
                if self.prompt.choose(target.choose):
                    self.close_prompt()
            elif target.press:
                self.press(target.press, target.press)
            return
        target = _hit([*self.footer, *self.view_drawn.targets], x, y)
        if target is not None and target.press:
            self.press(target.press, target.press)
        elif target is not None and isinstance(target.choose, int) and self.shown.view == "6":
            self.sessions.choose(target.choose)
        elif self.shown.view == "3" and self.prompt is None and (t := self._traces.time_at(x, y)) is not None:
            self._cursor.stop()
            self._traces.window.show(t)
        elif target is not None and target.choose is not None and self.prompt is None:
            self.shown.chosen[self.shown.view] = target.choose

    def scroll(self, step: int) -> None:
        """Take the wheel: move a page by three rows, choose in the command list."""
        key = "down" if step > 0 else "up"
        self._touched = self._wall.now()
        if self.prompt is not None:
            if not isinstance(self.prompt, Question | MarkEntry):
                self.prompt.press(key, None)
        elif self.shown.view in "245":
            self._page.move(3 * step)
        elif self.shown.view == "6":
            self.sessions.sessions.move(3 * step, self._wall.now())
        elif self.shown.view == "3":
            self._traces.window.step(step)

    def close_prompt(self) -> None:
        """Close what is open."""
        prompt, self.prompt = self.prompt, None
        if prompt is not None:
            prompt.close()

    def tick(self) -> None:
        """Close what has waited long enough; while the machine moves, what covers the figures too."""
        self.sessions.tick()
        self._cursor.tick()
        if self.prompt is None:
            return
        moves = not self._control.is_replay and self._snapshot.situation in MOVING
        moves = moves and is_phase_known(self._snapshot, self._clock.now())
        closes_at = min(self.prompt.closes_at, self._touched + OPEN_US) if moves else self.prompt.closes_at
        if self._wall.now() >= closes_at:
            self.close_prompt()

    def say(self, message: str) -> None:
        """Show one sentence for some seconds."""
        self._message = (message, self._wall.now() + MESSAGE_US)

    @property
    def message(self) -> str | None:
        """What there is to say now, if anything."""
        return self._message[0] if self._message is not None and self._wall.now() < self._message[1] else None

    @property
    def needs(self) -> set[Need]:
        """What holds now of what keys of the footer need."""
        return self._alarms.needs | self.guide.needs | ({"fresh mark"} if self._marks.fresh is not None else set())

    def _keys(self) -> list[Key]:
        return keys_in(self.shown.view, self._control.is_replay, self._is_review, self.guide.leads)

    @property
    def _is_review(self) -> bool:
        return bool(self._traces.title)

    # The actions that open a prompt, and those that no part has

    def mark(self) -> None:
        """Mark this moment, then take words."""
        self.prompt = self._marks.open()

    def _moment(self) -> int:
        """Return the moment to mark: that of the cursor, where one looks back at what was recorded; else now."""
        looks_back = self.shown.view == "3" and self._control.is_replay and not self._traces.window.follows
        return self._traces.cursor if looks_back else self._clock.now()

    @property
    def _chosen_alarm(self) -> StandingAlarm | None:
        chosen = self.shown.chosen.get("4")
        if self.shown.view != "4" or not isinstance(chosen, tuple) or len(chosen) != 2:
            return None
        return self._snapshot.alarms.get((str(chosen[0]), str(chosen[1])))

    def acknowledge(self) -> None:
        """Acknowledge the chosen alarm, else the first one that waits."""
        self._alarms.acknowledge(self._chosen_alarm)

    def review_session(self) -> None:
        """Acknowledge an alarm that waits, for in a run that comes first; else open the chosen session."""
        if not self._control.is_replay and any(not alarm.acknowledged for alarm in self._snapshot.alarms.in_order()):
            self._alarms.acknowledge(None)
        else:
            self.sessions.review_session()

    def back(self) -> None:
        """Go back to what a view shows at first."""
        if self.shown.view == "6":
            self.sessions.show_all()
        self._page.back()

    def shelve(self) -> None:
        """Ask for how long to shelve the chosen alarm, else the first."""
        self.prompt = self._alarms.ask_how_long(self._wall.now(), self._chosen_alarm)

    def help(self) -> None:
        """Show the keys of this view."""
        self.prompt = help_page(self.shown.view, self._keys())

    def links_shown(self) -> LinksShown:
        """Return what of the links is on view."""
        return self._links.links_shown()

    def commands(self) -> None:
        """Open the list of commands."""
        self.prompt = CommandsBox(self.all_commands())

    def all_commands(self) -> list[Command]:
        """Return what can be done now: the keys of this view, then alarms, links and limits by name."""
        no_commands = ("backspace", "escape", "c", "up", "down")
        found = [
            Command(row.does, row.shown, partial(self.do, row.action))
            for row in self._keys()
            if row.key not in no_commands
        ]
        found += [*self._alarms.commands(), *self._links.commands()]
        found += self.sessions.commands() if self.shown.view == "6" else []
        for limit in self._snapshot.limits.values():
            words = f"limit of {alarm_name(limit.name)}: what and why"
            found.append(Command(words, "", partial(self._open, limit_page(limit))))
        return found

    def _open(self, prompt: Prompt) -> None:
        self.prompt = prompt

    def mute(self) -> None:
        """Mute the sound for ten minutes, or turn it on."""
        self.say("sound is off for this run" if self._toggle_mute is None else self._toggle_mute())

    def test_sound(self) -> None:
        """Sound the test."""
        if self._test_sound is None:
            self.say("sound is off for this run")
        else:
            self._test_sound()

    def leave(self) -> None:
        """Ask whether to leave; leave at once where the run is being ended already."""
        if self.ending or self._is_review:
            self._leave()
        else:
            text = leave_question(self._control.leaving)
            self.prompt = Question(text, {"q": self._end}, self._wall.now() + ASK_US)

    def _end(self) -> None:
        self.ending = True
        self._control.stop()


def review_elsewhere(session: int, is_recorded: bool) -> str:
    """Return how to open a session beside the run that this screen shows."""
    words = "watch --follow" if is_recorded else f"review {session}"
    return f"this run goes on; in another terminal: shakedown {words}"


def _hit(targets: list[Target], x: int, y: int) -> Target | None:
    return next((each for each in targets if each.y == y and each.x <= x < each.x + each.width), None)
