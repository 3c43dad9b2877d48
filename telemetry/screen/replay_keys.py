"""What the keys do to a replay: pause, play faster or slower, go on to a moment that is still to come."""

from __future__ import annotations

import math

from telemetry.pipeline.control import RunControl

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


class ReplayKeys:
    """Changes the speed of a replay, and goes on at the speed before a pause.

    Args:
        control: what is done to the run.

    """

    def __init__(self, control: RunControl) -> None:
        self._control = control
        self._resume_speed: float | None = 1.0

    def pause(self) -> None:
        """Pause the replay, or go on at the speed before."""
        if self._control.speed == 0:
            self._control.set_speed(self._resume_speed)
        else:
            self._resume_speed = self._control.speed
            self._control.set_speed(0.0)

    def faster(self) -> None:
        """Play faster."""
        self.step_speed(1)

    def slower(self) -> None:
        """Play slower."""
        self.step_speed(-1)

    def step_speed(self, step: int) -> None:
        """Play faster (``step`` 1) or slower (-1)."""
        chosen = next_speed(self._resume_speed if self._control.speed == 0 else self._control.speed, step)
        self._resume_speed = chosen
        self._control.set_speed(chosen)

    @property
    def going_to(self) -> int | None:
        """The moment that is gone on to; None where none is."""
        return self._control.going_to

    def go_on_to(self, t: int) -> bool:
        """Play on to ``t``, int microseconds, as fast as it goes; return whether that is still to come."""
        return self._control.go_on_to(t)
