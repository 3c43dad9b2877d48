"""What the isolator says: causes, events, and the ranking with its reasons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from telemetry.analysis.cell_findings import CellFindings, OddCell

Cause = Literal[
    "healthy", "pedal-sensor", "controller", "power-connection", "pack-weak", "bms-trip", "mechanical-drag"
]
CAUSES: tuple[Cause, ...] = get_args(Cause)


@dataclass(frozen=True, slots=True)
class FaultEvent:
    """Something that a part did, or failed to do, at one time of the drive.

    Attributes:
        t: seconds from the start of the recording at which it began.
        duration: seconds.
        what: in a few words.
        cause: whose doing it is.
    """

    t: float
    duration: float
    what: str
    cause: Cause


@dataclass(frozen=True, slots=True)
class RankedCause:
    """One cause with its probability (0 to 1) and the sentences, with numbers, that speak for or against it."""

    cause: Cause
    probability: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Isolation:
    """The judgement of a drive.

    Attributes:
        cause: the part that is named; ``healthy`` where none is.
        ranked: every cause, the most probable first; the probabilities sum to 1.
        events: in time order.
        next_check: what to measure next and what reading to expect, one sentence each.
        missing: signals that were not recorded and would settle more.
        problems: what is wrong with the evidence itself, one sentence each.
        judged: False where it is not known: no part is named, and none is cleared.
        odds: log odds of every cause against a sound machine, by the recording alone; 0 where it cannot tell.
        covered: the causes that this drive could show.
        not_covered: for each other cause, what it takes to judge it.
        cells: what the cells showed; None where they were not judged.
    """

    cause: Cause
    ranked: tuple[RankedCause, ...]
    events: tuple[FaultEvent, ...]
    next_check: tuple[str, ...]
    missing: tuple[str, ...]
    problems: tuple[str, ...] = ()
    judged: bool = True
    odds: Mapping[Cause, float] = field(default_factory=dict)
    covered: tuple[Cause, ...] = ()
    not_covered: Mapping[Cause, str] = field(default_factory=dict)
    cells: CellFindings | None = None

    @property
    def fault_named(self) -> bool:
        """Whether a part is named."""
        return self.cause != "healthy"

    @property
    def odd_cells(self) -> tuple[OddCell, ...]:
        """The cells that stand out, by number."""
        return () if self.cells is None else self.cells.odd
