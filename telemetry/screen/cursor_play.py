"""Play: the cursor of the traces runs by real time, times a speed."""

from __future__ import annotations

from telemetry.model.clock import Clock
from telemetry.screen.traces import Traces


class CursorPlay:
    """Moves the cursor while it plays; at the end it stops, or follows a run that goes on.

    Args:
        traces: whose cursor.
        wall: real time.

    """

    def __init__(self, traces: Traces, wall: Clock) -> None:
        self._traces, self._wall = traces, wall
        self._speed = 1.0
        self._since: tuple[int, int] | None = None

    @property
    def speed(self) -> float:
        """Times real time; kept while it stands."""
        return self._speed

    @property
    def goes(self) -> bool:
        """Whether it plays."""
        return self._since is not None

    def start(self) -> bool:
        """Play from where the cursor is; tell whether there is anything after it."""
        window = self._traces.window
        if window.cursor >= window.length:
            return False
        window.follows = False
        self._since = (self._wall.now(), window.cursor)
        return True

    def stop(self) -> None:
        """Let the cursor stand."""
        self._since = None

    def set_speed(self, speed: float) -> None:
        """Play at ``speed`` from here on."""
        self._speed = speed
        if self._since is not None:
            self.start()

    def tick(self) -> None:
        """Move the cursor to where it is by now."""
        if self._since is None:
            return
        since, begun = self._since
        window, past = self._traces.window, self._traces.past
        window.length = max(0, past.end - past.start)
        t = begun + round((self._wall.now() - since) * self._speed)
        if t >= window.length:
            self.stop()
            window.to_end()
        else:
            window.play_to(t)
