"""What the keys do to alarms: acknowledge, shelve for a time, bring back, reset."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from telemetry.alarms.acts import alarm_name
from telemetry.alarms.rules import SHELVE_CHOICES_S, longest_shelve_s
from telemetry.alarms.standing import StandingAlarm
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.commands_box import Command
from telemetry.screen.keys import Need
from telemetry.screen.prompt import ASK_US, Question

SHELVE_KEYS = {str(number): choice for number, choice in enumerate(SHELVE_CHOICES_S, start=1)}
"""For how many seconds each key shelves, once asked."""


class AlarmKeys:
    """Acts on the alarm that is chosen, else on the one that stands first; the others have not been read yet.

    Args:
        snapshot: which alarms stand.
        control: what is done to the run.
        say: shows one sentence.

    """

    def __init__(self, snapshot: Snapshot, control: RunControl, say: Callable[[str], None]) -> None:
        self._snapshot = snapshot
        self._control = control
        self._say = say
        self._asked: set[tuple[str, str, int]] = set()

    @property
    def needs(self) -> set[Need]:
        """What can be done now: shelve an alarm, reset a latch, bring back a shelved alarm."""
        found: set[Need] = {"alarm"} if self._snapshot.alarms else set()
        if any(alarm.state == "latched acknowledged" for alarm in self._snapshot.alarms.values()):
            found.add("latched")
        return found | ({"shelved"} if self._has_shelved() else set())

    def _from(self, chosen: StandingAlarm | None) -> list[StandingAlarm]:
        return [*([] if chosen is None else [chosen]), *self._snapshot.alarms.in_order()]

    def acknowledge(self, chosen: StandingAlarm | None = None) -> None:
        """Acknowledge one alarm that waits; it alone, for the next one has not been read yet."""
        for alarm in self._from(chosen):
            asked = (alarm.change.limit, alarm.change.signal, alarm.change.t)
            if not alarm.acknowledged and asked not in self._asked:
                self._asked.add(asked)
                self._control.acknowledge(alarm.change.limit, alarm.change.signal)
                self._say(f"acknowledged: {alarm_name(alarm.change.limit)}")
                return
        latched = any(alarm.latched for alarm in self._snapshot.alarms.values())
        self._say("no alarm waits to be acknowledged" + ("; r resets what has latched" if latched else ""))

    def ask_how_long(self, now: int, chosen: StandingAlarm | None = None) -> Question | None:
        """Return the question for how long to shelve an alarm, asked at wall time ``now``; None where none stands."""
        alarm = next(iter(self._from(chosen)), None)
        if alarm is None:
            self._say("there is no alarm to shelve")
            return None
        name = alarm_name(alarm.change.limit)
        text = f"shelve {name} for: 1 5 min   2 15 min   3 60 min; any other key leaves it"
        answers = {key: partial(self.shelve, alarm, seconds) for key, seconds in SHELVE_KEYS.items()}
        return Question(text, answers, now + ASK_US, lambda: self._say("nothing was shelved"))

    def shelve(self, alarm: StandingAlarm, seconds: float) -> None:
        """Shelve ``alarm``, for no longer than its priority allows."""
        change = alarm.change
        lasting = min(seconds, longest_shelve_s(change.limit, change.level))
        self._control.shelve(change.limit, change.signal, seconds)
        self._say(f"shelved for {lasting / 60:.0f} min: {alarm_name(change.limit)}; u brings it back")

    def unshelve(self) -> None:
        """Bring back all that is shelved."""
        if self._has_shelved():
            self._control.unshelve()
            self._say("what was shelved is back")
        else:
            self._say("nothing is shelved")

    def reset(self) -> None:
        """Let go of every latch that has been acknowledged."""
        latched = [alarm for alarm in self._snapshot.alarms.values() if alarm.latched]
        if any(alarm.acknowledged for alarm in latched):
            self._control.reset_latch()
            self._say("reset: look at the pack before you drive on")
        else:
            self._say("acknowledge it first" if latched else "nothing has latched")

    def commands(self) -> list[Command]:
        """Return what can be done to each alarm that stands: acknowledge it, shelve it for a time."""
        found = []
        for alarm in self._snapshot.alarms.in_order():
            name = alarm_name(alarm.change.limit)
            if not alarm.acknowledged:
                found.append(Command(f"acknowledge {name}", "", partial(self.acknowledge, alarm)))
            for seconds in SHELVE_CHOICES_S:
                words = f"shelve {name} for {seconds / 60:.0f} min"
                found.append(Command(words, "", partial(self.shelve, alarm, seconds)))
        return found

    def _has_shelved(self) -> bool:
        return any(change.stands == "shelved" for change in self._snapshot.alarms.quiet.values())
