"""What every fault is: a change of the machine's parts before the drive, and what it does to them during it."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import ClassVar

from ..scenarios import Scenario


@dataclass(frozen=True, slots=True)
class FaultEvent:
    """Something that went wrong for a moment.

    Attributes:
        t: seconds from the start of the drive.
        duration: seconds.
        what: in plain words.

    """

    t: float
    duration: float
    what: str


class EventLog:
    """Events as they begin and end; those of one ``what`` do not overlap."""

    def __init__(self) -> None:
        self._done: list[FaultEvent] = []
        self._open: dict[str, float] = {}

    def hold(self, t: float, what: str, lasting: bool) -> None:
        """Say whether ``what`` is going on at ``t``, seconds."""
        if lasting and what not in self._open:
            self._open[what] = t
        elif not lasting and what in self._open:
            began = self._open.pop(what)
            self._done.append(FaultEvent(round(began, 3), round(t - began, 3), what))

    def until(self, t: float) -> tuple[FaultEvent, ...]:
        """Return all events in order of time; one that still goes on lasts until ``t``."""
        lasting = [FaultEvent(round(began, 3), round(t - began, 3), what) for what, began in self._open.items()]
        return tuple(sorted((*self._done, *lasting), key=lambda event: (event.t, event.what)))


@dataclass(slots=True)
class Moment:
    """What the parts go through in this step.

    Attributes:
        t: seconds from the start of the drive; ``dt`` since the step before.
        pedal: way of the pedal, 0 to 1, and how fast it moves, 1/s.
        current: A, positive out of the pack.
        speed: m/s.
        softness: resistance of the ground, times the ordinary.
        shaking, bump: of the ride.
        controller_c: temperature of the controller, degC.

    """

    t: float = 0.0
    dt: float = 0.0
    pedal: float = 0.0
    pedal_speed: float = 0.0
    current: float = 0.0
    speed: float = 0.0
    softness: float = 1.0
    shaking: float = 0.0
    bump: float = 0.0
    controller_c: float = 20.0


class Fault:
    """No fault at all, and what all others begin from.

    Args:
        scenario: the machine as it should be.
        chance: draws the variant and all that happens by chance.
        variant: which kind, instead of drawing it.

    Attributes:
        cause: its name; ``variants`` its kinds, with how often they are drawn.
        scenario: the machine with its faulty parts.
        variant: which kind of this fault was drawn.
        torque_share: share of the torque wanted that the controller gives; ``enabled`` whether its enable line is on.
        added_ohm: resistance added between pack and controller; ``opened`` whether that way is broken.
        drag_n: force that holds the machine back, besides all ordinary ones.
        log: what went wrong, and when.

    """

    cause: ClassVar[str] = "healthy"
    variants: ClassVar[dict[str, float]] = {"as it should be": 1.0}

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        self.scenario = scenario
        possible = self.possible(scenario)
        drawn = chance.choices(list(possible), list(possible.values()))[0]
        self.variant = drawn if variant is None else variant
        self.torque_share = 1.0
        self.enabled = True
        self.added_ohm = 0.0
        self.opened = False
        self.drag_n = 0.0
        self.log = EventLog()
        self._chance = chance

    @classmethod
    def possible(cls, scenario: Scenario) -> dict[str, float]:  # noqa: ARG003 - some have fewer
        """Return the variants that this machine can have, with their weights."""
        return cls.variants

    def step(self, moment: Moment) -> None:
        """Go through the next moment."""

    def pedal_voltage(self, volts: float) -> float:
        """Return what leaves the pedal sensor where it should be ``volts``."""
        return volts
