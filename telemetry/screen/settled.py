"""What the drive view remembers from one paint to the next, so that nothing on it jumps."""

from __future__ import annotations

from typing import Generic, Literal, TypeVar

from telemetry.analysis.charger_watch import MOVES
from telemetry.model.batch import MICROSECONDS
from telemetry.model.signals import ON
from telemetry.pipeline.snapshot import Snapshot

Phase = Literal["DRIVING", "WORKING", "AT REST", "CHARGING"]
Choice = TypeVar("Choice")
REST_ABOVE_STANDBY_A = 0.5
"""Amperes above the standby current up to which a machine that stands is at rest."""
_SURER = 0.8
"""A rest counts for the charge once it has narrowed the estimate to so much of what it was."""
_DIGITS_US = MICROSECONDS // 2


def is_phase_known(snapshot: Snapshot, now: int) -> bool:
    """Tell whether current or speed show what the machine is doing; else acts are those of one that moves."""
    return any(snapshot.fresh(signal, now) is not None for signal in ("pack_current", *MOVES))


class Settled(Generic[Choice]):
    """A choice that changes only after another has been wanted for some time.

    Args:
        seconds: for how long; a choice not asked for as long is free to change.

    """

    def __init__(self, seconds: float) -> None:
        self._hold = round(seconds * MICROSECONDS)
        self._chosen: Choice | None = None
        self._wanted: Choice | None = None
        self._since = 0
        self._asked: int | None = None

    def take(self, now: int, wanted: Choice) -> Choice:
        """Return the choice at ``now``, int microseconds, where ``wanted`` would be right now."""
        idle = self._asked is None or not 0 <= now - self._asked < self._hold
        self._asked = now
        if wanted != self._wanted:
            self._wanted, self._since = wanted, now
        if self._chosen is None or idle or now - self._since >= self._hold:
            self._chosen = wanted
        return self._chosen


class Settlement:
    """All choices of the drive view, and its digits, which change twice a second at most."""

    def __init__(self) -> None:
        self._phase: Settled[Phase] = Settled(3.0)
        self._into: Settled[bool] = Settled(1.0)
        self._high: dict[str, Settled[bool]] = {"pack": Settled(2.0), "cell": Settled(2.0)}
        self._number: dict[str, Settled[int]] = {}
        self._hottest: Settled[str] = Settled(10.0)
        self._digits: dict[str, tuple[int, float]] = {}
        self._doubt_before: float | None = None
        self._cells_end = 0

    def phase(self, snapshot: Snapshot, now: int, standby_a: float) -> Phase:
        """Return what the machine is doing, by the situation that the acts go by."""
        situation = snapshot.situation
        current = snapshot.fresh("pack_current", now)
        loaded = current is not None and current > standby_a + REST_ABOVE_STANDBY_A
        wanted: Phase = "DRIVING"
        if situation == "charging":
            wanted = "CHARGING"
        elif (snapshot.fresh("implement_engaged", now) or 0.0) >= ON and (situation != "resting" or loaded):
            wanted = "WORKING"
        elif situation == "resting" and not loaded:
            wanted = "AT REST"
        return self._phase.take(now, wanted)

    def into(self, now: int, wanted: bool) -> bool:
        """Return whether the lane of the current shows the limit into the pack."""
        return self._into.take(now, wanted)

    def high(self, which: str, now: int, wanted: bool) -> bool:
        """Return whether the lane of ``pack`` or ``cell`` shows its upper limit."""
        return self._high[which].take(now, wanted)

    def number(self, signal: str, now: int, wanted: int) -> int:
        """Return the number of the cell that ``signal`` names."""
        return self._number.setdefault(signal, Settled(2.0)).take(now, wanted)

    def hottest(self, now: int, wanted: str) -> str:
        """Return which part's temperature is shown."""
        return self._hottest.take(now, wanted)

    def cells_end(self, farthest: float, ends: tuple[int, ...]) -> int:
        """Return where the scale of the cells ends, one of ``ends``: it grows with the farthest cell, never back."""
        self._cells_end = max(self._cells_end, next((end for end in ends if end >= farthest), ends[-1]))
        return self._cells_end

    def made_surer(self, doubt: float | None) -> bool:
        """Return whether this rest made the estimate of charge surer; ``doubt`` is None while there is no rest."""
        if doubt is None or self._doubt_before is None:
            self._doubt_before = doubt
        return doubt is not None and self._doubt_before is not None and doubt <= _SURER * self._doubt_before

    def digits(self, snapshot: Snapshot, signal: str, now: int) -> float | None:
        """Return the value of ``signal`` that its digits show; None once it is stale."""
        value = snapshot.fresh(signal, now)
        if value is None:
            self._digits.pop(signal, None)
            return None
        kept = self._digits.get(signal)
        if kept is None or not 0 <= now - kept[0] < _DIGITS_US:
            kept = self._digits[signal] = (now, value)
        return kept[1]
