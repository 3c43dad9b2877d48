"""Frames of a log in the order of their times: a log merged from several buses is not. Pure."""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Iterator
from operator import attrgetter

from telemetry.model.batch import MICROSECONDS
from telemetry.model.errors import RecordingError

from .can_frames import CanFrame

WINDOW_US = 10 * MICROSECONDS
"""So late a frame may come and still find its place; as late as a row of a table by another logger. Ours."""
_TIME = attrgetter("arrival")


class InOrder:
    """Gives frames sorted by their times.

    A time further from the others than the window, back or ahead, counts once the next frame confirms it: a single
    one is a slip of the writing, and its frame is left out.

    Args:
        name: of the log, for messages.
        frames: as they stand in it.

    Attributes:
        moved: frames that stood behind later ones.
        strayed: frames left out.

    """

    def __init__(self, name: str, frames: Iterator[CanFrame]) -> None:
        self._name, self._frames = name, frames
        self.moved = self.strayed = 0

    def __iter__(self) -> Iterator[CanFrame]:
        """Give the frames.

        Raises:
            RecordingError: time goes back by more than the window; every frame before has been given.

        """
        held: deque[CanFrame] = deque()
        newest: int | None = None
        doubted: CanFrame | None = None
        mistake: Exception | None = None
        try:
            for number, frame in enumerate(self._frames, 1):
                if newest is not None and abs(frame.arrival - newest) > WINDOW_US:
                    if doubted is None or not _confirms(frame, doubted, newest):
                        self.strayed += doubted is not None
                        doubted = frame
                        continue
                    if frame.arrival < newest:
                        raise RecordingError(
                            f"{self._name}, frame {number - 1}: time goes back by "
                            f"{(newest - doubted.arrival) / MICROSECONDS:g} s; cut the file in two here"
                        )
                    self._put(held, doubted)
                elif doubted is not None:
                    self.strayed += 1
                doubted = None
                self._put(held, frame)
                newest = held[-1].arrival
                while held[0].arrival < newest - WINDOW_US:
                    yield held.popleft()
        except Exception as error:  # what came before it is given first
            mistake = error
        if doubted is not None and mistake is None and held and doubted.arrival > held[-1].arrival:
            held.append(doubted)  # nothing follows that could contradict the last
        elif doubted is not None:
            self.strayed += 1
        yield from held
        if mistake is not None:
            raise mistake

    def _put(self, held: deque[CanFrame], frame: CanFrame) -> None:
        if not held or frame.arrival >= held[-1].arrival:
            held.append(frame)
        else:
            self.moved += 1
            insort(held, frame, key=_TIME)


def _confirms(frame: CanFrame, doubted: CanFrame, newest: int) -> bool:
    """Return whether the frame after one that leapt says that time did; after a break frames may be far apart."""
    after = frame.arrival - doubted.arrival
    return after >= -WINDOW_US and (doubted.arrival > newest or after <= WINDOW_US)
