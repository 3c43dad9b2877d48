"""What a limit is: its fixed part, and how its numbers are found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from typing import Literal

from telemetry.machine.sections import Machine, missing

LIKE_TEMPERATURE_C = 5.0
"""Resistances are compared within so many degrees: over 5 degC a lithium cell's changes by some 15 %. From memory,
common practice."""
LIKE_CHARGE = 20.0
"""And within so many percent of charge: near empty and, on some chemistries, near full it rises. Common practice."""
LEAST_LIKE = 5


@dataclass(frozen=True, slots=True)
class ResistanceHistory:
    """Resistances of earlier sessions, one entry each.

    Attributes:
        ohm: n of them.
        temperature_c: of the pack at that time, n of them; NaN where unknown.
        charge: state of charge at that time, %, n of them; NaN where unknown.
        sessions: how many sessions they come from.

    """

    ohm: tuple[float, ...] = ()
    temperature_c: tuple[float, ...] = ()
    charge: tuple[float, ...] = ()
    sessions: int = 0

    def like(self, temperature_c: float, charge: float) -> float | None:
        """Return the median resistance in like conditions, ohm; None for fewer than five entries.

        Args:
            temperature_c, charge: of now; NaN for unknown, which is like nothing.
        """
        near = [
            ohm
            for ohm, celsius, level in zip(self.ohm, self.temperature_c, self.charge, strict=True)
            if abs(celsius - temperature_c) <= LIKE_TEMPERATURE_C and abs(level - charge) <= LIKE_CHARGE
        ]
        return median(near) if len(near) >= LEAST_LIKE else None


NO_HISTORY = ResistanceHistory()


Side = Literal["high", "low"]
Sign = Literal["positive", "negative", "either"]


@dataclass(frozen=True)
class Limit:
    """One bound on one signal; see :mod:`telemetry.alarms.comparator` for what margin and delays mean.

    Attributes:
        name: what it is called in the machine file, alarms and reports.
        signal: a signal's name, or a shell-style pattern of names such as ``pack_temperature_*``; the limit's own
            name where no value decides it.
        side: ``high``: beyond is above the bound; ``low``: beyond is below it.
        warn, trip: bounds in the signal's unit; None for no such level.
        clear_margin: how far inside the bound a value must lie to count as back, same unit.
        raise_delay_s, clear_delay_s: how long it must be beyond, or back.
        origin: where the numbers come from, one sentence.

    """

    name: str
    signal: str
    side: Side
    warn: float | None
    trip: float | None
    clear_margin: float
    raise_delay_s: float
    clear_delay_s: float
    origin: str


@dataclass(frozen=True)
class Frame:
    """The fixed part of a limit, and how its numbers are found.

    Attributes:
        name, signal, side: as of the limit.
        build: finds the numbers; gives a sentence instead of a limit where no figure supports one.
        sign: of the bounds that an owner may set.
        alone: clear margin, raise and clear delay where nothing but the owner's bound is known.
        bounded: whether bounds and delays mean anything; else a condition decides.

    """

    name: str
    signal: str
    side: Side
    build: Callable[[Ground], Limit | str]
    sign: Sign = "positive"
    alone: tuple[float, float, float] = (0.0, 2.0, 10.0)
    bounded: bool = True

    def blank(self) -> Limit:
        """Return the limit without bounds, for the owner to set."""
        margin, raise_s, clear_s = self.alone
        origin = f"set in [limits.{self.name}] only"
        return Limit(self.name, self.signal, self.side, None, None, margin, raise_s, clear_s, origin)


@dataclass(frozen=True)
class Ground:
    """What the numbers of one limit are based on."""

    machine: Machine
    history: ResistanceHistory
    frame: Frame

    def limit(
        self,
        warn: float | None,
        trip: float | None,
        origin: str,
        *,
        margin: float,
        raise_s: float,
        clear_s: float = 10.0,
    ) -> Limit:
        """Return the limit with its numbers, rounded to what a message can show."""
        what = self.frame
        rounded = [None if bound is None else round(float(bound), 3) for bound in (warn, trip)]
        return Limit(
            what.name, what.signal, what.side, rounded[0], rounded[1], round(margin, 3), raise_s, clear_s, origin
        )


def all_missing(*keys: tuple[str, str]) -> str:
    """Return what to say where several keys are missing of which any would do."""
    first, *others = (missing(*key) for key in keys)
    return "; or ".join([first, *(words.removeprefix("unknown: ") for words in others)])
