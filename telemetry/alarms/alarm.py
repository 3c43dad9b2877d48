"""One alarm: its state, what keeps it quiet, and what is reported of each change. It has no clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from telemetry.alarms.rules import AlarmRules, longest_shelve_s
from telemetry.alarms.states import MASKED, MASKS, AlarmEvent, next_state
from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import (
    Acknowledge,
    AlarmChange,
    AlarmChangeState,
    AlarmLevel,
    AlarmState,
    OperatorInput,
    ResetLatch,
    Shelve,
    Unshelve,
)

_MINUTE_S = 60
_NAN = float("nan")
_MASK_WORDS: dict[AlarmEvent, AlarmChangeState] = {
    "shelved": "shelved",
    "suppressed": "suppressed",
    "removed": "out of service",
}


@dataclass(frozen=True, slots=True)
class Suppress:
    """From ``t`` on ``cause`` keeps ``levels`` of the alarms of ``limit`` quiet by design, or no longer does."""

    t: int
    limit: str
    cause: str
    levels: tuple[AlarmLevel, ...]
    on: bool
    why: str


@dataclass(frozen=True, slots=True)
class _Outranked:
    """The levels that a trip of the same signal covers, and why."""

    levels: tuple[AlarmLevel, ...] = ()
    why: str = ""


def is_meant(asked: OperatorInput, limit: str, signal: str) -> bool:
    """Return whether the operator means the alarm of that limit on that signal."""
    return asked.limit in (None, limit) and asked.signal in (None, signal)


class Alarm:
    """The alarm of one limit on one signal.

    Args:
        limit: the limit's name.
        signal: the signal judged.
        bounds: the bound of each level that the limit has; NaN where no value decides.
        rules: whether its trip stays until it is reset, and why it is out of service where it is.

    Attributes:
        state: its state.
        reached: the highest level of the present excursion; None while there is none.
        shelved_until: when its shelving ends by itself, int microseconds; None while it is not shelved.

    """

    def __init__(
        self,
        limit: str,
        signal: str,
        bounds: Mapping[AlarmLevel, float],
        rules: AlarmRules,
    ) -> None:
        self.limit = limit
        self.signal = signal
        self.state: AlarmState = "normal"
        self.reached: AlarmLevel | None = None
        self._bounds = dict(bounds)
        self._latches = rules.latches(limit)
        self._out_of_service = rules.out_of_service.get(limit)
        self._level: AlarmLevel = "warn" if "warn" in bounds else "trip"
        self._holding: set[AlarmLevel] = set()
        self._latch = False
        self._causes: dict[str, Suppress] = {}
        self._outranked = _Outranked()
        self.shelved_until: int | None = None
        self._shelved_levels: frozenset[AlarmLevel] = frozenset()

    @property
    def stands_at_trip(self) -> bool:
        """Whether its trip holds and nothing keeps it quiet."""
        return self.reached == "trip" and self.state not in MASKED

    def cross(self, t: int, level: AlarmLevel, on: bool, value: float, why: str = "") -> AlarmChange | None:
        """Note that a level was exceeded or left; return what changed, if anything is to be reported."""
        if on:
            self._holding.add(level)
            if self.reached == "trip" or self.reached == level:
                return None
            event: AlarmEvent = "exceeded" if self.reached is None else "rose"
            self.reached = self._level = level
            if self.shelved_until is not None and level not in self._shelved_levels:
                self.shelved_until = None  # a worse level breaks through
            self._latch |= self._latches and level == "trip" and self._mask() in (None, "shelved")
            return self._move(t, event, "raised", value, why)
        self._holding.discard(level)
        if self._holding or self.reached is None:
            return None
        self.reached = None
        if self._latch:  # a warn came on top of a trip that was not reset: it is the trip that stays
            self._level = "trip"
        return self._move(t, "latched" if self._latch else "returned", "cleared", value)

    def operate(self, asked: OperatorInput) -> AlarmChange | None:
        """Take what the operator did, which must mean this alarm; return what changed."""
        match asked:
            case Acknowledge():
                return self._move(asked.t, "acknowledged", "acknowledged")
            case ResetLatch():
                change = self._move(asked.t, "reset", "reset")
                self._latch &= change is None
                return change
            case Shelve():
                return self._shelve(asked)
            case Unshelve():
                return self._unshelve(asked.t, "ended by the operator")

    def suppress(self, change: Suppress) -> AlarmChange | None:
        """Begin or end a suppression by design; return what changed."""
        self.note(change)
        return self._move(change.t, None, "unsuppressed", why=f"no longer: {change.why}")

    def note(self, change: Suppress) -> None:
        """Note a suppression that was in force before the alarm begins."""
        if change.on:
            self._causes[change.cause] = change
        else:
            self._causes.pop(change.cause, None)

    def outrank(self, t: int, levels: tuple[AlarmLevel, ...], why: str) -> AlarmChange | None:
        """Let a trip of the same signal cover these levels of this alarm; return what changed."""
        before = self._outranked
        if levels == before.levels:
            return None
        self._outranked = _Outranked(levels, why)
        return self._move(t, None, "unsuppressed", why=f"no longer: {before.why}")

    def settle(self, t: int) -> AlarmChange | None:
        """Enter the state that holds at ``t``, as the alarm begins."""
        return self._move(t, None, "unsuppressed")

    def standing_at(self, end: int) -> AlarmChange:
        """Return the last change of a session that ends at ``end`` while the limit is exceeded."""
        bound = self._bounds.get(self._level, _NAN)
        return AlarmChange(
            end, self.limit, self.signal, self._level, "standing at end", _NAN, bound, stands=self.state
        )

    def expire(self, now: int) -> AlarmChange | None:
        """End a shelving whose time is over at ``now``; return what changed."""
        if self.shelved_until is None or self.shelved_until > now:
            return None
        return self._unshelve(self.shelved_until, "its shelving time is over")

    def _shelve(self, asked: Shelve) -> AlarmChange | None:
        longest = longest_shelve_s(self.limit, self._level)
        lasting = min(max(asked.for_s, 0.0), longest)
        self.shelved_until = asked.t + round(lasting * MICROSECONDS)
        covered: tuple[AlarmLevel, ...] = ("warn", "trip") if self.reached == "trip" or self._latch else ("warn",)
        self._shelved_levels = frozenset(covered if "warn" in self._bounds else self._bounds)
        cut = f", the longest allowed, not {_span(asked.for_s)}" if asked.for_s > longest else ""
        return self._move(asked.t, None, "shelved", why=f"by the operator for {_span(lasting)}{cut}", renewed=True)

    def _unshelve(self, t: int, why: str) -> AlarmChange | None:
        if self.shelved_until is None:
            return None
        self.shelved_until = None
        return self._move(t, None, "unshelved", why=why)

    def _suppressed(self) -> Suppress | _Outranked | None:
        """Return what keeps it quiet by design now; None where nothing does."""
        if self.reached is not None:
            causes: list[Suppress | _Outranked] = [*self._causes.values(), self._outranked]
            return next((cause for cause in causes if self.reached in cause.levels), None)
        # What waits for the operator goes on waiting: only an alarm at rest is quiet beforehand.
        if self.state != "normal" and self.state not in MASKED:
            return None
        return next((cause for cause in self._causes.values() if set(cause.levels) >= set(self._bounds)), None)

    def _mask(self) -> AlarmEvent | None:
        """Return the strongest of what keeps it quiet now."""
        if self._out_of_service is not None:
            return "removed"
        if (self._causes or self._outranked.levels) and self._suppressed() is not None:
            return "suppressed"
        return "shelved" if self.shelved_until is not None else None

    def _move(
        self,
        t: int,
        event: AlarmEvent | None,
        word: AlarmChangeState,
        value: float = _NAN,
        why: str = "",
        renewed: bool = False,
    ) -> AlarmChange | None:
        """Go where the table says: by what keeps the alarm quiet, by its end, or by ``event``."""
        mask = self._mask()
        if mask is not None:
            if self.state == MASKS[mask] and not (renewed and mask == "shelved"):
                return None
            event, word = mask, _MASK_WORDS[mask]
            if mask != "shelved":
                cause = self._suppressed()
                why = self._out_of_service or (cause.why if cause is not None else "")
        elif self.state in MASKED:
            holds = self.reached is not None
            event = "released exceeded" if holds else "released latched" if self._latch else "released normal"
        if event is None:
            return None
        before, self.state = self.state, next_state(self.state, event)
        if self.state == before and event not in ("rose", "shelved"):
            return None
        return AlarmChange(
            t, self.limit, self.signal, self._level, word, value, self._bounds.get(self._level, _NAN), why, self.state
        )


def _span(seconds: float) -> str:
    return f"{seconds / _MINUTE_S:g} min" if seconds >= _MINUTE_S else f"{seconds:g} s"
