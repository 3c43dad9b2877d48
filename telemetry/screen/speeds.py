"""The speeds of a replay that its keys step through."""

from __future__ import annotations

import math

SPEEDS: tuple[float | None, ...] = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, None)
"""Times real time; None for as fast as it goes."""


def next_speed(present: float | None, step: int) -> float | None:
    """Return the next speed of :data:`SPEEDS` above (``step`` 1) or below (-1) ``present``; the last one stays."""
    here = math.inf if present is None else present
    ladder = [math.inf if speed is None else speed for speed in SPEEDS]
    if step > 0:
        place = next((i for i, speed in enumerate(ladder) if speed > here), len(ladder) - 1)
    else:
        place = max((i for i, speed in enumerate(ladder) if speed < here), default=0)
    return SPEEDS[place]
