"""A gauge's way from its left end to its limit, and which limit counts now."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.machine.limits import Limit
from telemetry.screen.scene import Scene
from telemetry.screen.trace import TraceScale

_WITHOUT_OTHER = 1.4
"""The upper limit over the lower one where only one of them is known."""
_ABOVE_FULL = 0.15
"""Part of the scale of a trace above a full pack at rest."""


@dataclass(frozen=True)
class Reach:
    """A gauge's way from its left end to its limit, in the signal's unit; made by :func:`reach_of`.

    Attributes:
        limit: that counts.
        left: value at the left end.
        bound: value at the limit; never the same.

    """

    limit: Limit
    left: float
    bound: float

    @property
    def warn(self) -> float | None:
        """Where the warning is, as :meth:`share`; None where there is none before the limit."""
        return None if self.limit.trip is None or self.limit.warn is None else self.share(self.limit.warn)

    @property
    def is_falling(self) -> bool:
        """Whether the lowest value is the one nearest to the limit."""
        return self.bound < self.left

    @property
    def word(self) -> str:
        """What the limit is called below the bar."""
        if self.limit.name.startswith(("discharge-", "charge-")):
            return "limit"
        return "cut-off" if self.limit.side == "low" else "high"

    @property
    def trace(self) -> TraceScale:
        """The scale of a voltage's trace over the same way."""
        way = self.left - self.bound
        if way > 0:
            return TraceScale(self.bound, self.left + _ABOVE_FULL * way, limit="low")
        return TraceScale(self.left, self.bound, limit="high")

    def share(self, value: float) -> float:
        """Return where ``value`` is: 0 at the left end, 1 at the limit, above 1 past it, 9 at most."""
        return min(max(0.0, (value - self.left) / (self.bound - self.left)), 9.0)

    def apart(self, value: float) -> float:
        """Return how far ``value`` is inside the limit; negative past it."""
        return value - self.bound if self.limit.side == "low" else self.bound - value


def reach_of(limit: Limit | None, left: float) -> Reach | None:
    """Return the way to ``limit`` from ``left``, or from elsewhere where that is past it; None without a limit."""
    bound = bound_of(limit)
    if limit is None or not bound:
        return None
    if limit.side == "high" and left >= bound:
        left = bound / _WITHOUT_OTHER if bound > 0 else bound * _WITHOUT_OTHER
    if limit.side == "low" and left <= bound:
        left = bound * _WITHOUT_OTHER if bound > 0 else bound / _WITHOUT_OTHER
    return Reach(limit, left, bound)


def voltage_reach(
    scene: Scene, which: str, signal: str, ends: tuple[float | None, float | None]
) -> tuple[Reach | None, str]:
    """Return the way to the limit that counts now, and what to say of its left end.

    While charging that is the upper limit. Else it is the lower one, from a full pack at rest on; what is above that
    goes towards the upper limit.
    """
    low, high = (scene.snapshot.limits.get(f"{which}-voltage-{side}") for side in ("low", "high"))
    full, empty = ends
    if scene.phase == "CHARGING" and high is not None:
        return reach_of(high, empty or bound_of(low) or bound_of(high) or 0.0), ""
    value = scene.snapshot.fresh(signal.replace("min", "max"), scene.now)
    above = full is not None and high is not None and value is not None and value > full
    turned = scene.settled.high(which, scene.now, above)
    if turned and high is not None and full is not None:
        return reach_of(high, full), " full"
    return reach_of(low, full or bound_of(high) or bound_of(low) or 0.0), " full"


def bound_of(limit: Limit | None) -> float | None:
    """Return the trip of a limit, or its warning where it has none; None without a limit."""
    if limit is None:
        return None
    return limit.trip if limit.trip is not None else limit.warn
