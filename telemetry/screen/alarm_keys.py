"""What the keys do to alarms: acknowledge, shelve for a time, take back, reset."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.alarms.acts import alarm_name
from telemetry.alarms.rules import SHELVE_CHOICES_S, longest_shelve_s
from telemetry.model.clock import Clock
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.snapshot import Snapshot, StandingAlarm
from telemetry.screen.footer import SHELVE_QUESTION

SHELVE_KEYS = {str(number): choice for number, choice in enumerate(SHELVE_CHOICES_S, start=1)}
"""For how many seconds each key shelves, once asked."""
_ASK_US = 6_000_000


class AlarmKeys:
    """Acts on the alarm that stands first; the others have not been read yet.

    Args:
        snapshot: which alarms stand.
        control: what is done to the run.
        wall: real time, by which a question closes.
        say: shows one sentence.

    """

    def __init__(self, snapshot: Snapshot, control: RunControl, wall: Clock, say: Callable[[str], None]) -> None:
        self._snapshot = snapshot
        self._control = control
        self._wall = wall
        self._say = say
        self._shelving: tuple[StandingAlarm, int] | None = None
        self._asked: set[tuple[str, str, int]] = set()

    @property
    def question(self) -> str | None:
        """What is asked now, if anything: for how long to shelve which alarm."""
        if self._shelving is None or self._wall.now() >= self._shelving[1]:
            return None
        return SHELVE_QUESTION.format(alarm=alarm_name(self._shelving[0].change.limit))

    @property
    def offered(self) -> tuple[bool, bool, bool]:
        """Whether an alarm can be shelved now, a latch be reset, a shelved alarm be taken back."""
        latched = any(alarm.state == "latched acknowledged" for alarm in self._snapshot.alarms.values())
        return bool(self._snapshot.alarms), latched, self._has_shelved()

    def acknowledge(self) -> None:
        """Acknowledge the alarm that stands first; it alone, for the next one has not been read yet."""
        for alarm in self._snapshot.standing():
            asked = (alarm.change.limit, alarm.change.signal, alarm.change.t)
            if not alarm.acknowledged and asked not in self._asked:
                self._asked.add(asked)
                self._control.acknowledge(alarm.change.limit, alarm.change.signal)
                self._say(f"acknowledged: {alarm_name(alarm.change.limit)}")
                return
        latched = any(alarm.latched for alarm in self._snapshot.alarms.values())
        self._say("no alarm waits to be acknowledged" + ("; r resets what has latched" if latched else ""))

    def ask_how_long(self) -> None:
        """Ask for how long to shelve the alarm that stands first."""
        standing = self._snapshot.standing()
        if standing:
            self._shelving = standing[0], self._wall.now() + _ASK_US
        else:
            self._say("no alarm stands that could be shelved")

    def answer(self, key: str) -> None:
        """Shelve what was asked about for as long as ``key`` says; any other key leaves it."""
        shelving, self._shelving = self._shelving, None
        if shelving is None or key not in SHELVE_KEYS:
            self._say("nothing was shelved")
            return
        change = shelving[0].change
        lasting = min(SHELVE_KEYS[key], longest_shelve_s(change.limit, change.level))
        self._control.shelve(change.limit, change.signal, SHELVE_KEYS[key])
        self._say(f"shelved for {lasting / 60:.0f} min: {alarm_name(change.limit)}; u takes it back")

    def drop_question(self) -> None:
        """Leave what was asked about as it is."""
        self._shelving = None

    def unshelve(self) -> None:
        """Take back all that is shelved."""
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

    def _has_shelved(self) -> bool:
        return any(change.stands == "shelved" for change in self._snapshot.quiet.values())
