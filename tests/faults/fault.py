"""What a fault is, what one try of it gives, and the list of all faults."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

LOST_AT_MOST_S = 1.0
"""What is older than this when the fault strikes must be there, or its loss announced and counted."""
ANNOUNCED_WITHIN_S = 1.0


class NotTried(Exception):
    """This computer lacks what the fault needs; the text says what. Never counts as kept."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one try gave. Whatever else is found wrong, a try raises as AssertionError.

    Attributes:
        lost_s: age of the oldest missing value when the fault struck or the program ended, s; 0 where none is.
        announced_s: how long after the loss was certain the program said so, s; None where it did not.
        counted: whether the loss is counted in the summary, the report and the list of sessions; None where nothing
            is missing, or where no program was left to print a summary.
        ledger: what does not add up, in a sentence; empty where read = decoded + rejected and
            published = stored + counted losses.
        note: anything worth keeping, a few words.
        starved_s: how long the program waited for a processor just before, s. A try that would be kept without that
            wait is void: not counted, but told.
        cases: how many times the fault struck, where one recording serves for many.

    """

    lost_s: float = 0.0
    announced_s: float | None = None
    counted: bool | None = None
    ledger: str = ""
    note: str = ""
    starved_s: float = 0.0
    cases: int = 1

    @property
    def is_void(self) -> bool:
        """Whether the computer, and not the program, was too slow."""
        return bool(self._broken(0.0)) and not self._broken(self.starved_s)

    @property
    def broken(self) -> str:
        """Why the promise is broken, in a sentence; empty where it is kept."""
        return self._broken(0.0)

    def _broken(self, allowed_s: float) -> str:
        if self.ledger:
            return self.ledger
        if self.lost_s <= LOST_AT_MOST_S + allowed_s:
            return ""
        if self.announced_s is None or self.announced_s > ANNOUNCED_WITHIN_S + allowed_s:
            late = (
                "was not announced" if self.announced_s is None else f"was announced after {self.announced_s:.1f} s"
            )
            return f"{self.lost_s:.2f} s are missing and that {late}"
        return "" if self.counted else f"{self.lost_s:.2f} s are missing and not counted everywhere"


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes:
        name: for ``--only``; a few words joined by hyphens.
        what: the fault in plain words.
        promise: what the program promises, in plain words.
        short: tries in the short run.
        long: tries in the long run.
        try_once: breaks something once, given the dice and an empty folder of its own; may run in any thread.
        alone: run it while nothing else runs, on the main thread, since it measures memory or speed.

    """

    name: str
    what: str
    promise: str
    short: int
    long: int
    try_once: Callable[[random.Random, Path], Outcome]
    alone: bool = False


@dataclass
class Result:
    """All tries of one fault."""

    fault: Fault
    outcomes: list[Outcome] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    not_tried: str = ""
    void: int = 0

    @property
    def tries(self) -> int:
        """How many were really made."""
        return sum(each.cases for each in self.outcomes) + len(self.broken)

    @property
    def worst_s(self) -> float:
        """The largest loss, s."""
        return max((each.lost_s for each in self.outcomes), default=0.0)

    @property
    def announced_s(self) -> float | None:
        """The longest time to an announcement, s; None where there was none."""
        return max((each.announced_s for each in self.outcomes if each.announced_s is not None), default=None)

    @property
    def counted(self) -> str:
        """``yes``, ``no``, or ``-`` where there was nothing to count."""
        told = {each.counted for each in self.outcomes} - {None}
        return "-" if not told else "yes" if told == {True} else "no"

    @property
    def verdict(self) -> str:
        """``kept``, ``broken`` with the number, or ``not tried`` with the reason."""
        if self.not_tried:
            return f"not tried: {self.not_tried}"
        void = f"; {self.void} more void, for the program got no processor" if self.void else ""
        kept = "kept" if self.outcomes else "not tried"
        return (f"**broken** in {len(self.broken)}" if self.broken else kept) + void


FAULTS: dict[str, Fault] = {}


def register(fault: Fault) -> None:
    """Add ``fault`` to the list; each module does so for its own when it is imported."""
    assert fault.name not in FAULTS, fault.name
    FAULTS[fault.name] = fault
