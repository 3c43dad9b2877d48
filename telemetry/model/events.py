"""What happens at one moment: link changes, gaps, alarms, marks, losses. Times are int microseconds, Unix epoch.

Two sorts run in the same spans. *Inputs* come from outside the stages (a link changed, the operator acknowledged);
they are recorded, so that a replay of the session gives the same alarms. *Findings* are made by stages and are
made again in a replay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal

LinkState = Literal["opening", "live", "silent", "lost", "asleep", "ended"]
AlarmLevel = Literal["warn", "trip"]
AlarmState = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned unacknowledged",
    "latched unacknowledged",
    "latched acknowledged",
    "shelved",
    "suppressed by design",
    "out of service",
]
"""State of an alarm: those of IEC 62682 and ISA-18.2, as :mod:`telemetry.alarms.states` joins them."""
AlarmChangeState = Literal[
    "raised",
    "cleared",
    "acknowledged",
    "reset",
    "shelved",
    "unshelved",
    "suppressed",
    "unsuppressed",
    "out of service",
    "standing at end",
]
Situation = Literal["driving", "braking", "charging", "resting"]
"""What the machine is doing. Where no signal shows it, *driving*: the act must suit a machine that moves."""


@dataclass(frozen=True, slots=True)
class Event:
    """Base of all events; ``kind`` names it in JSON and in the store, ``is_input`` distinguishes the two kinds."""

    kind: ClassVar[str] = "event"
    is_input: ClassVar[bool] = False

    t: int


@dataclass(frozen=True, slots=True)
class LinkChange(Event):
    """A source's link changed state. ``why`` is one sentence; ``retry_at`` is the time of the next try, if any."""

    kind: ClassVar[str] = "link"
    is_input: ClassVar[bool] = True

    source: str
    state: LinkState
    why: str = ""
    retry_at: int | None = None


@dataclass(frozen=True, slots=True)
class Mark(Event):
    """A moment worth finding again, named in a word or two by the operator or by the program itself.

    One that the operator took back is ``taken_back``: it stays in the record, and nothing counts it.
    """

    kind: ClassVar[str] = "mark"
    is_input: ClassVar[bool] = True

    text: str
    by: Literal["operator", "program"] = "operator"
    taken_back: bool = False


@dataclass(frozen=True, slots=True)
class MarkChange(Event):
    """The operator gave the mark set at ``of`` its words, or took it back; a mark taken back stays in the record."""

    kind: ClassVar[str] = "mark_change"
    is_input: ClassVar[bool] = True

    of: int
    text: str
    taken_back: bool = False

    def applied(self, mark: Mark) -> Mark:
        """Return ``mark`` as it is from now on; unchanged where another is meant."""
        if mark.t != self.of or mark.by != "operator":
            return mark
        return Mark(mark.t, self.text, mark.by, self.taken_back)


@dataclass(frozen=True, slots=True)
class _OfAlarms(Event):
    """The operator did something to alarms; ``limit`` and ``signal`` name them, None means any."""

    is_input: ClassVar[bool] = True

    limit: str | None = None
    signal: str | None = None


@dataclass(frozen=True, slots=True)
class Acknowledge(_OfAlarms):
    """The operator has seen an alarm."""

    kind: ClassVar[str] = "acknowledge"


@dataclass(frozen=True, slots=True)
class Shelve(Event):
    """The operator shelves an alarm for ``for_s`` seconds; what it then says is kept but not shown or sounded."""

    kind: ClassVar[str] = "shelve"
    is_input: ClassVar[bool] = True

    limit: str
    signal: str | None
    for_s: float


@dataclass(frozen=True, slots=True)
class Unshelve(_OfAlarms):
    """The operator unshelves alarms before their time."""

    kind: ClassVar[str] = "unshelve"


@dataclass(frozen=True, slots=True)
class ResetLatch(_OfAlarms):
    """The operator has looked into what latched, and lets acknowledged latches go."""

    kind: ClassVar[str] = "reset_latch"


OperatorInput = Acknowledge | Shelve | Unshelve | ResetLatch
"""What an operator may do to alarms."""


@dataclass(frozen=True, slots=True)
class Loss(Event):
    """A listener of the bus was full and values were not taken by it (for the store: not recorded)."""

    kind: ClassVar[str] = "loss"
    is_input: ClassVar[bool] = True

    listener: str
    values: int
    why: str


@dataclass(frozen=True, slots=True)
class SavingChange(Event):
    """A listener of the bus (the store) cannot write what it was given, or writes again.

    Attributes:
        listener: its name.
        since: end of the oldest span that is held in memory, int microseconds; None where it writes again.
        why: one sentence for the operator.

    """

    kind: ClassVar[str] = "saving"
    is_input: ClassVar[bool] = True

    listener: str
    since: int | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Gap(Event):
    """Nothing was known of ``signal`` from ``start`` to ``t``; longer than its group's rate allows to bridge."""

    kind: ClassVar[str] = "gap"

    source: str
    signal: str
    start: int

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return (self.t - self.start) / 1e6


@dataclass(frozen=True, slots=True)
class AlarmCondition(Event):
    """Something that no single limit decides began or ended, as a stage found it in the data.

    Attributes:
        limit: name of the alarm that it raises, such as ``supply-lost``.
        signal: the signal or source concerned.
        on: True where it began at ``t``, False where it ended.
        why: one sentence for the operator.
        value: the value that decided, in the signal's unit; NaN where there is none.

    """

    kind: ClassVar[str] = "condition"

    limit: str
    signal: str
    on: bool
    why: str = ""
    value: float = float("nan")


@dataclass(frozen=True, slots=True)
class AlarmChange(Event):
    """One change of an alarm.

    Attributes:
        limit: the limit's name, such as ``cell-voltage-low``.
        signal: the signal judged, such as ``cell_min_voltage``.
        level: the highest level reached in this excursion.
        state: what changed: ``raised`` (a rise from warn to trip too), ``cleared`` (the value is back inside), or
            what the operator or the design did; ``standing at end``: the session ended with the limit exceeded.
        value: the value that decided, or as it was known at ``t``, in the signal's unit; NaN where there is none.
        bound: the value it was compared with.
        why: one sentence for the operator.
        stands: the state of the alarm from now on.
        worst: the worst value by ``t`` since the first row beyond the bound, of the present excursion or the one that
            just ended; NaN where there is none, and for alarms that no bound decides.
        cell: number of the cell that the value was of at ``t``; None where no one cell is meant or known.
        situation: what the machine was doing at ``t``.

    """

    kind: ClassVar[str] = "alarm"

    limit: str
    signal: str
    level: AlarmLevel
    state: AlarmChangeState
    value: float
    bound: float
    why: str = ""
    stands: AlarmState = "unacknowledged"
    worst: float = math.nan
    cell: int | None = None
    situation: Situation = "driving"


@dataclass(frozen=True, slots=True)
class AlarmFinding(Event):
    """Something is wrong with the limits themselves: an alarm chatters, or alarms come in a flood.

    Attributes:
        what: ``chattering`` of one alarm, ``flood`` of all together.
        state: whether it began or ended at ``t``; chattering is reported once an episode, so it only begins.
        limit, signal: the alarm that chatters; empty for a flood.
        count: alarms within the window at ``t``.
        why: what it is and what to change, for the owner.

    """

    kind: ClassVar[str] = "alarm_finding"

    what: Literal["chattering", "flood"]
    state: Literal["began", "ended"]
    limit: str
    signal: str
    count: int
    why: str
