"""What every driver is made of whose link is read in a thread: it opens, pumps, advises and closes."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Generic, Literal, Self, cast

from telemetry.driver import DriverContext
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.capture import CapturedPiece, Direction
from telemetry.model.errors import LinkError, NothingReadable

from .pump import BlockingLink, DataT, Piece, Pump, PumpFigures


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """What a link is doing: the queue from the reading thread to the event loop, and what became of its pieces."""

    queue: PumpFigures
    decoded: Any


class PumpedDriver(ABC, Generic[DataT]):
    """Reads a blocking link; a :class:`telemetry.driver.Driver`.

    Args:
        context: as every driver is given.
        name: what messages call the link.
        open_link: opens it; called in the thread.
        tap: takes each piece as it comes and goes, for a capture.

    """

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"
    silence_s: float | None
    decoder: Any = None
    """What makes rows of the pieces; its ``figures`` tell what became of them."""

    def __init__(
        self,
        context: DriverContext,
        name: str,
        open_link: Callable[[], BlockingLink[DataT]],
        tap: Callable[[int, Direction, DataT], None] | None,
    ) -> None:
        self._source = context.source
        self._clock = context.clock
        self._name = name
        self._pump = Pump(open_link, context.clock, name, tap=tap)

    @property
    def figures(self) -> LinkFigures:
        """The figures of this opening, at any time."""
        return LinkFigures(self._pump.figures, None if self.decoder is None else self.decoder.figures)

    @abstractmethod
    def decode(self, pieces: list[Piece[DataT]]) -> Iterable[Batch]:
        """Return the rows that what was read, or the quiet since, completes."""

    @abstractmethod
    def advice(self) -> str:
        """Return what to say of a device whose bytes give nothing; empty where they do, or where none came."""

    def wait_s(self) -> float | None:
        """Return how long :meth:`decode` may be left without anything read; None: for ever."""
        return None

    def begin(self) -> Iterable[Batch]:
        """Return the rows that are due before anything is read; the place to ask for more."""
        return ()

    def rest(self) -> Iterable[Batch]:
        """Return the rows held, though nothing completes them: the link is over."""
        return ()

    @classmethod
    def decoded(cls, context: DriverContext, pieces: Iterable[CapturedPiece]) -> Iterator[Batch]:
        """Give the rows of what a capture kept; see :class:`telemetry.driver.DecodesCaptures`."""
        clock = _PieceClock()
        driver = cast("Callable[[DriverContext], Self]", cls)(replace(context, clock=clock))
        driver.prepare()
        for piece in pieces:
            yield from driver.quiet_until(piece.t, clock)
            clock.t = piece.t
            if piece.direction == "out":
                yield from driver.sent(piece.data)
            else:
                yield from driver.decode([Piece(piece.t, driver.as_read(piece))])
        yield from driver.quiet_until(None, clock)
        yield from driver.rest()
        if advice := driver.advice():
            raise NothingReadable(advice)

    def quiet_until(self, t: int | None, clock: _PieceClock) -> Iterable[Batch]:
        """Return the rows that the quiet until the next piece, or after the last, completes."""
        wait_s = self.wait_s()
        due = None if wait_s is None else clock.t + round(wait_s * MICROSECONDS)
        if due is None or (t is not None and due > t):
            return ()
        clock.t = due
        return self.decode([])

    @abstractmethod
    def as_read(self, piece: CapturedPiece) -> DataT:
        """Return a captured piece as one read of the link gives it."""

    def sent(self, data: bytes) -> Iterable[Batch]:  # noqa: ARG002 - most drivers only listen
        """Return the rows that come of having sent ``data``."""
        return ()

    def prepare(self) -> None:
        """Read what decoding needs besides the settings."""

    async def open(self) -> None:
        """Open the link.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        await self._pump.start_in_time(self._name)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the rows that each read, or the quiet after it, completes.

        Raises:
            LinkLost: the link broke or the device closed it.

        """
        try:
            while True:
                for batch in self.begin():
                    yield batch
                for batch in self.decode(await self._pump.take(self.wait_s())):
                    yield batch
        except LinkError:
            for batch in self.rest():
                yield batch
            raise

    async def close(self) -> None:
        """Let the reading thread close the link, and wait until it has."""
        await self._pump.stop()


class _PieceClock:
    """Stands at the time of the piece that is decoded; a :class:`telemetry.model.clock.Clock`."""

    def __init__(self) -> None:
        self.t = 0

    def now(self) -> int:
        return self.t

    async def sleep_until(self, t: int) -> None:
        self.t = max(self.t, t)
