"""What every driver is made of whose link is read in a thread: it opens, pumps, advises and closes."""

from __future__ import annotations

import logging
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, Literal, Self, cast

from telemetry.driver import Declared, DriverContext
from telemetry.model.batch import Batch
from telemetry.model.capture import CapturedPiece, Direction
from telemetry.model.errors import LinkError

from .pump import BlockingLink, DataT, Piece, Pump, PumpFigures

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """What a link is doing: the queue from the reading thread to the event loop, and what became of its pieces."""

    queue: PumpFigures
    decoded: Any


class PumpedDriver(Declared, ABC, Generic[DataT]):
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
        self._advised = False

    @property
    def figures(self) -> LinkFigures:
        """The figures of this opening, at any time."""
        return LinkFigures(self._pump.figures, None if self.decoder is None else self.decoder.figures)

    @abstractmethod
    def decode(self, pieces: list[Piece[DataT]]) -> Iterable[Batch]:
        """Return the rows that what was read, or the quiet since, completes."""

    @abstractmethod
    def advice(self) -> str | None:
        """Return what to say of a device whose bytes give nothing; empty while that is open, None once they do."""

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
        driver = cast("Callable[[DriverContext], Self]", cls)(context)
        driver.prepare()
        for piece in pieces:
            if piece.direction == "out":
                yield from driver.sent(piece.data)
            else:
                yield from driver.decode([Piece(piece.t, driver.as_read(piece))])
        yield from driver.rest()

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
                if not self._advised:
                    self._advise()
        except LinkError:
            for batch in self.rest():
                yield batch
            raise

    async def close(self) -> None:
        """Let the reading thread close the link, and wait until it has."""
        await self._pump.stop()

    def _advise(self) -> None:
        """Say once in the log what is wrong with a device whose bytes give nothing."""
        advice = self.advice()
        if advice:
            log.warning("source %s: %s", self._source, advice)
        self._advised = advice != ""
