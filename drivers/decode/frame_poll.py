"""When which request of a frame map is sent: in turn, each after the answer to the last or its time limit. Pure.

Every ``interval`` a cycle begins. In it each request that is due is sent once; after the answer, or after
``response_timeout`` without one, and ``pause``, comes the next. A cycle that takes longer than the interval is
followed by the next at once; cycles missed are not made up for.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from telemetry.model.batch import Batch

from .frame_decoder import FrameDecoder
from .frame_layout import FrameMap, Request


@dataclass(frozen=True, slots=True)
class Step:
    """What there is to do now.

    Attributes:
        send: the request to send.
        overdue: the last request's answer has not come in time.
        cycle_over: the cycle has ended.

    """

    send: Request | None = None
    overdue: bool = False
    cycle_over: bool = False

    def __bool__(self) -> bool:
        return self.send is not None or self.overdue or self.cycle_over


class FramePoll:
    """Goes through the requests of ``frame_map``; times are microseconds of the caller's clock.

    Attributes:
        cycles: cycles begun.

    """

    def __init__(self, frame_map: FrameMap, now: int) -> None:
        self._map = frame_map
        self._waiting: deque[Request] = deque()
        self._in_cycle = False
        self._next_cycle = now
        self._may_send = now
        self._answer_until: int | None = None
        self.cycles = 0

    @property
    def wake(self) -> int:
        """When :meth:`step` is to be called again, if no answer comes before."""
        if self._answer_until is not None:
            return self._answer_until
        return self._may_send if self._waiting else max(self._next_cycle, self._may_send)

    def due(self, now: Callable[[], int], decoder: FrameDecoder, left: list[Batch]) -> Iterator[bytes]:
        """Give the requests that are due; ``left`` takes the rows that one without an answer, or a cycle, leaves."""
        while step := self.step(now(), decoder.answered):
            if step.overdue:
                left += decoder.overdue()
            if step.cycle_over:
                left += decoder.cycle_over()
            if step.send is not None:
                decoder.asked(step.send)
                yield step.send.data

    def step(self, now: int, answered: bool) -> Step:
        """Return what to do at ``now``; to be called again until there is nothing more.

        Args:
            now: the time.
            answered: whether the request that was sent last has its answer.

        """
        overdue = False
        if self._answer_until is not None:
            overdue = not answered and now >= self._answer_until
            if not answered and not overdue:
                return Step()
            self._answer_until = None
            self._may_send = now + self._map.pause
            if overdue:
                return Step(overdue=True)
        if self._in_cycle and not self._waiting:
            self._in_cycle = False
            return Step(cycle_over=True)
        if not self._in_cycle and now >= self._next_cycle:
            self._begin(now)
        if self._waiting and now >= self._may_send:
            self._answer_until = now + self._map.response_timeout
            return Step(send=self._waiting.popleft())
        return Step()

    def _begin(self, now: int) -> None:
        self._waiting.extend(request for request in self._map.requests if self.cycles % request.every == 0)
        self._in_cycle = bool(self._waiting)
        self.cycles += 1
        self._next_cycle += self._map.interval
        if self._next_cycle <= now:
            self._next_cycle = now + self._map.interval
