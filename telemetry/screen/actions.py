"""What each key does: one method for each action of :mod:`telemetry.screen.keys`, and what the keys have chosen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from telemetry.alarms.acts import alarm_name
from telemetry.alarms.rules import SHELVE_CHOICES_S
from telemetry.model.batch import MICROSECONDS
from telemetry.model.clock import Clock
from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.raw_tail import RawTail
from telemetry.pipeline.snapshot import Snapshot, StandingAlarm
from telemetry.screen.alarm_cards import moments_of
from telemetry.screen.alarm_keys import ASK_US, AlarmKeys
from telemetry.screen.commands_box import Command, CommandsBox
from telemetry.screen.help_page import help_page, limit_page
from telemetry.screen.keys import Need, find_key, keys_in
from telemetry.screen.links_view import LinkFacts, LinksShown
from telemetry.screen.mark_entry import OPEN_US, PRESETS, MarkEntry
from telemetry.screen.operator_marks import MarkKeys
from telemetry.screen.page import Drawn, Target
from telemetry.screen.prompt import Prompt, Question
from telemetry.screen.shown import Shown
from telemetry.screen.speeds import next_speed
from telemetry.screen.strips import SECONDS_EACH

MESSAGE_US = 4_000_000
LEAVE_QUESTION = "LEAVE?  q again ends the run and leaves. Any other key goes on."
ENDING = "saving: the run is being ended; q again leaves without waiting for it"


class Actions:
    """Takes keys and clicks.

    Args:
        snapshot: what is known.
        control: what keys do to the run.
        clock: the run's clock.
        wall: real time, for messages and questions.
        presets: words of marks set by one key.
        mark_keys: keys that set a mark without words.
        facts: of each source, for the links view.
        raw: the last raw pieces of the links; None where there are none.
        test_sound, toggle_mute: return at once; ``toggle_mute`` what to say. None where sound is off for this run.
        leave: leaves the screen.

    Attributes:
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
        *,
        presets: tuple[str, ...] = PRESETS,
        mark_keys: tuple[str, ...] = (),
        facts: Mapping[str, LinkFacts] | None = None,
        raw: RawTail | None = None,
        test_sound: Callable[[], None] | None = None,
        toggle_mute: Callable[[], str] | None = None,
        leave: Callable[[], None] = lambda: None,
    ) -> None:
        self._snapshot, self._control, self._wall = snapshot, control, wall
        self._mark_keys = mark_keys
        self._facts, self._raw = dict(facts or {}), raw
        self._test_sound, self._toggle_mute, self._leave = test_sound, toggle_mute, leave
        self._alarms = AlarmKeys(snapshot, control, self.say)
        self._marks = MarkKeys(snapshot, control, clock, wall, self.say, presets)
        self._message: tuple[str, int] | None = None
        self._resume_speed: float | None = 1.0
        self.shown = Shown()
        self.prompt: Prompt | None = None
        self.ending = False
        self.view_drawn = Drawn()
        self.prompt_drawn: Drawn | None = None
        self.footer: list[Target] = []

    # Keys, clicks and the wheel

    def press(self, key: str, character: str | None) -> None:
        """Take a key: a button's mark, what is open, or the action of the table."""
        self.tick()
        open_now = self.prompt
        if self._is_mark_key(key, character):
            self.close_prompt()
            self._marks.set()
        elif key in ("ctrl+c", "ctrl+q") and not (isinstance(open_now, Question) and open_now.text == LEAVE_QUESTION):
            self.close_prompt()
            self.leave()
        elif open_now is not None:
            self._press_prompt(open_now, "q" if key in ("ctrl+c", "ctrl+q") else key, character)
        elif (row := find_key(key, self.shown.view, self._control.is_replay)) is not None:
            self.do(row.action)

    def do(self, action: str) -> None:
        """Do an action of the table."""
        if action.startswith("view_"):
            self.shown.view = action.removeprefix("view_")
        else:
            getattr(self, action)()

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
        elif target is not None and target.choose is not None and self.prompt is None:
            self.shown.chosen[self.shown.view] = target.choose

    def scroll(self, step: int) -> None:
        """Take the wheel: move a page by three rows, choose in the command list."""
        key = "down" if step > 0 else "up"
        if self.prompt is not None:
            if isinstance(self.prompt, CommandsBox) or not isinstance(self.prompt, Question | MarkEntry):
                self.prompt.press(key, None)
        elif self.shown.view in "245":
            self._move(3 * step)

    def close_prompt(self) -> None:
        """Close what is open."""
        prompt, self.prompt = self.prompt, None
        if prompt is not None:
            prompt.close()

    def tick(self) -> None:
        """Close what has waited long enough."""
        if self.prompt is not None and self._wall.now() >= self.prompt.closes_at:
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
        return self._alarms.needs | ({"fresh mark"} if self._marks.fresh is not None else set())

    # Marks

    def mark(self) -> None:
        """Mark this moment, then take words."""
        self.prompt = self._marks.open()

    def take_mark_back(self) -> None:
        """Take the last mark back while it is fresh."""
        self._marks.take_back()

    # Alarms

    @property
    def _chosen_alarm(self) -> StandingAlarm | None:
        chosen = self.shown.chosen.get("4")
        if self.shown.view != "4" or not isinstance(chosen, tuple) or len(chosen) != 2:
            return None
        return self._snapshot.alarms.get((str(chosen[0]), str(chosen[1])))

    def acknowledge(self) -> None:
        """Acknowledge the chosen alarm, else the first one that waits."""
        self._alarms.acknowledge(self._chosen_alarm)

    def shelve(self) -> None:
        """Ask for how long to shelve the chosen alarm, else the first."""
        self.prompt = self._alarms.ask_how_long(self._wall.now(), self._chosen_alarm)

    def unshelve(self) -> None:
        """Bring back all that is shelved."""
        self._alarms.unshelve()

    def reset(self) -> None:
        """Reset what has latched and is acknowledged."""
        self._alarms.reset()

    def show_moment(self) -> None:
        """Show the chosen moment in the traces, in the middle of the window where the present allows."""
        moments = moments_of(self._snapshot)
        chosen = self.shown.chosen.get("4")
        moment = next((each for each in moments if each.key == chosen), moments[0] if moments else None)
        if moment is None:
            self.say("no alarm and no mark yet")
            return
        self.shown.view, self.shown.seconds_each = "3", SECONDS_EACH[0]
        self.shown.until = min(moment.t + 30 * MICROSECONDS, self._snapshot.end)
        self.say(f"traces up to {clock_at(self.shown.until, self._snapshot.start)}; escape follows the present")

    # Lists

    def up(self) -> None:
        """Choose what is above, else move up."""
        self._choose(-1)

    def down(self) -> None:
        """Choose what is below, else move down."""
        self._choose(1)

    def _choose(self, step: int) -> None:
        """Choose the next thing of the page and bring it into view; past the last, or without any, move the page."""
        view, drawn = self.shown.view, self.view_drawn
        order = drawn.order
        chosen = self._link if view == "5" else self.shown.chosen.get(view)
        place = order.index(chosen) if chosen in order else 0
        if not order or not 0 <= place + step < len(order):
            self._move(step)
            return
        self.shown.chosen[view] = order[place + step]
        first, last = drawn.places[order[place + step]]
        if place + step == 0:
            first = 0
        scrolled = min(self.shown.scrolled.get(view, 0), first)
        self.shown.scrolled[view] = max(scrolled, min(last - drawn.room + 1, first))

    def _move(self, step: int) -> None:
        view = self.shown.view
        self.shown.scrolled[view] = min(max(0, self.shown.scrolled.get(view, 0) + step), self.view_drawn.most)

    # Traces

    def zoom_in(self) -> None:
        """Show a shorter time."""
        self._zoom(-1)

    def zoom_out(self) -> None:
        """Show a longer time."""
        self._zoom(1)

    def _zoom(self, step: int) -> None:
        place = SECONDS_EACH.index(self.shown.seconds_each) + step
        self.shown.seconds_each = SECONDS_EACH[min(max(0, place), len(SECONDS_EACH) - 1)]

    # Links

    @property
    def _link(self) -> str | None:
        """The chosen link, else the first one that failed, else the first."""
        chosen = self.shown.chosen.get("5")
        if isinstance(chosen, str):
            return chosen
        failed = [change.source for change in self._snapshot.failed_links()]
        return next(iter([*failed, *self._facts, *self._snapshot.links]), None)

    def try_now(self) -> None:
        """Try the chosen link again now."""
        if self._link is not None:
            self._try(self._link)

    def _try(self, source: str) -> None:
        name = printable(source, 20)
        tried = self._control.try_now(source)
        self.say(f"{name}: trying now" if tried else f"{name} does not wait for a try")

    def raw_lines(self) -> None:
        """Show raw lines in place of the signals, or the signals again."""
        self.shown.raw = not self.shown.raw
        self.shown.scrolled["5"] = 0

    def raw_names(self) -> None:
        """Show signals by their names in files, or in words again."""
        self.shown.raw_names = not self.shown.raw_names

    def links_shown(self) -> LinksShown:
        """Return what of the links is on view."""
        raw = None
        if self.shown.raw:
            raw = self._raw.last(self._link or "") if self._raw is not None else []
        return LinksShown(self._link, self.shown.scrolled.get("5", 0), raw, self.shown.raw_names, self._facts)

    # The rest

    def help(self) -> None:
        """Show the keys of this view."""
        self.prompt = help_page(self.shown.view, self._control.is_replay)

    def back(self) -> None:
        """Follow the present again; show the signals again."""
        self.shown.until = None
        self.shown.raw = False

    def commands(self) -> None:
        """Open the list of commands."""
        self.prompt = CommandsBox(self.all_commands())

    def all_commands(self) -> list[Command]:
        """Return what can be done now: the keys of this view, then alarms, links and limits by name."""
        no_commands = ("backspace", "escape", "c", "up", "down")
        found = [
            Command(row.does, row.key, partial(self.do, row.action))
            for row in keys_in(self.shown.view, self._control.is_replay)
            if row.key not in no_commands
        ]
        for alarm in self._snapshot.standing():
            name = alarm_name(alarm.change.limit)
            if not alarm.acknowledged:
                found.append(Command(f"acknowledge {name}", "", partial(self._alarms.acknowledge, alarm)))
            for seconds in SHELVE_CHOICES_S:
                words = f"shelve {name} for {seconds / 60:.0f} min"
                found.append(Command(words, "", partial(self._alarms.shelve, alarm, seconds)))
        found += [
            Command(f"try the link of {printable(source, 20)} now", "", partial(self._try, source))
            for source in dict.fromkeys([*self._facts, *self._snapshot.links])
        ]
        for limit in self._snapshot.limits.values():
            words = f"limit of {alarm_name(limit.name)}: what and why"
            found.append(Command(words, "", partial(self._open, limit_page(limit))))
        return found

    def _open(self, prompt: Prompt) -> None:
        self.prompt = prompt

    def change_light(self) -> None:
        """Change between the colours for sun and for dusk."""
        self.shown.light = "dusk" if self.shown.light == "sun" else "sun"

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
        if self.ending:
            self._leave()
        else:
            self.prompt = Question(LEAVE_QUESTION, {"q": self._end}, self._wall.now() + ASK_US)

    def _end(self) -> None:
        self.ending = True
        self._control.stop()

    # Replay

    def pause(self) -> None:
        """Pause the replay, or go on at the speed before."""
        if self._control.speed == 0:
            self._control.set_speed(self._resume_speed)
        else:
            self._resume_speed = self._control.speed
            self._control.set_speed(0.0)

    def faster(self) -> None:
        """Play faster."""
        self._step_speed(1)

    def slower(self) -> None:
        """Play slower."""
        self._step_speed(-1)

    def _step_speed(self, step: int) -> None:
        chosen = next_speed(self._resume_speed if self._control.speed == 0 else self._control.speed, step)
        self._resume_speed = chosen
        self._control.set_speed(chosen)


def _hit(targets: list[Target], x: int, y: int) -> Target | None:
    return next((each for each in targets if each.y == y and each.x <= x < each.x + each.width), None)
