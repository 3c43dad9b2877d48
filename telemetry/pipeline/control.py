"""What the operator may do to a run: the screen and the keyboard speak to it through this."""

from __future__ import annotations

from typing import Protocol


class RunControl(Protocol):
    """Offered by the run, used by the screen; each call returns at once and shows in the next span."""

    @property
    def why_no_marks(self) -> str:
        """Why marks cannot be kept in this run, in one sentence; empty where they can."""
        ...

    def mark(self, text: str, t: int | None = None) -> str:
        """Set a mark named in a word or two, at ``t`` (int microseconds, by the run's clock); now where None.

        The words are typed after the moment they name, so ``t`` may lie before the end of the latest span. Returns
        why the mark could not be kept, in one sentence; empty where it is.
        """
        ...

    def change_mark(self, of: int, text: str, taken_back: bool = False) -> str:
        """Give the mark set at ``of`` its words, or take it back; return why that is not kept, empty where it is."""
        ...

    def acknowledge(self, limit: str | None = None, signal: str | None = None) -> None:
        """Acknowledge the alarm of ``limit`` on ``signal``; any where None."""
        ...

    def shelve(self, limit: str, signal: str | None, for_s: float) -> None:
        """Shelve an alarm for ``for_s`` seconds of the run's time; no longer than its priority allows."""
        ...

    def unshelve(self, limit: str | None = None, signal: str | None = None) -> None:
        """Unshelve alarms before their time; any where None."""
        ...

    def reset_latch(self, limit: str | None = None, signal: str | None = None) -> None:
        """Let acknowledged latches go; any where None."""
        ...

    def try_now(self, source: str) -> bool:
        """Try the link of ``source`` again now; return whether it was waiting for a try."""
        ...

    def stop(self) -> None:
        """End the run: sources are closed, the recording is completed."""
        ...

    @property
    def leaving(self) -> str:
        """What a second press of the key that leaves does: ``ends the run and leaves``."""
        ...

    @property
    def is_replay(self) -> bool:
        """Whether pause and speed mean anything."""
        ...

    @property
    def speed(self) -> float | None:
        """Times real time; None for as fast as it goes. 0 while paused."""
        ...

    def set_speed(self, speed: float | None) -> None:
        """Play at ``speed`` from here on (replay only); 0 pauses."""
        ...

    @property
    def going_to(self) -> int | None:
        """The moment that a replay goes on to as fast as it goes, int microseconds; None where it does not."""
        ...

    def go_on_to(self, t: int) -> bool:
        """Play on to ``t`` as fast as it goes, then as before (replay only); return whether that is still to come."""
        ...
