"""A CAN bus whose messages are described: by the owner's message catalogue, or by an open standard.

See ``docs/can-messages.md`` for each setting. The driver only listens: it never sends a frame.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Any, ClassVar, TextIO

from telemetry.driver import DriverContext, Heard, Listening, Settings
from telemetry.model.batch import Batch
from telemetry.model.capture import CapturedPiece, Direction
from telemetry.model.errors import InputError, Problem, printable
from telemetry.model.fault_names import FaultNames
from telemetry.model.kinds import number
from telemetry.model.tables import Rules, settings_of

from .decode import can_standards, message_catalogue
from .decode.can_batches import CanBatches
from .decode.can_frames import FRAME_BYTES, CanFrame
from .decode.can_standards import DecodingSettings
from .decode.candump import as_bytes, frame_of, log_line
from .links import can_bus
from .links.can_settings import BusSettings
from .links.pump import Piece
from .links.pumped_driver import PumpedDriver

FD_FRAME_BYTES = 64
log = logging.getLogger(__name__)


def _too_long(s: CanMessagesSettings) -> Iterator[Problem]:
    most = FD_FRAME_BYTES if (s.options or {}).get("fd") else FRAME_BYTES
    try:
        wanted = [] if s.catalogue is None else message_catalogue.wanted_of(s)
    except InputError:
        return  # said already
    for layout in (each.layout for each in wanted if not each.layout.by_group and each.layout.length > most):
        what = f"message {printable(layout.name)} is {layout.length} bytes long, and a frame holds {most}"
        right = "take its signals out of [source.signals] and the catalogue, or mark it there as one of J1939"
        right += "; a bus with CAN FD needs options = { fd = true }" if most == FRAME_BYTES else ""
        yield Problem("catalogue", what, right)


@dataclass(frozen=True, kw_only=True)
class CanMessagesSettings(DecodingSettings, BusSettings):
    """What a ``[[source]]`` of this driver states."""

    rules: ClassVar[Rules] = (_too_long,)
    silence_s: float = number(
        *(0.1, 3600, "seconds without a readable message after which the link counts as failed"),
        *("how often the device sends", 5.0),
        default=5.0,
    )


class CanMessagesDriver(PumpedDriver[can_bus.CanRead]):
    """Reads described messages from a CAN bus; a :class:`telemetry.driver.Driver`."""

    table: ClassVar = CanMessagesSettings
    decoder: CanBatches
    raw_suffix: ClassVar = ".log"

    def __init__(self, context: DriverContext) -> None:
        self._settings = bus = settings_of(CanMessagesSettings, context.settings)
        self.silence_s = bus.silence_s
        tap = context.tap
        super().__init__(
            context,
            bus.name,
            lambda: can_bus.open_can(bus, context.clock),
            None if tap is None else lambda _t, direction, read: _tap_frames(tap, direction, read.frames),
        )
        self.decoder = CanBatches(context.source, (), 0)
        self.error_frames = 0
        self.unreadable = 0
        self._told: set[str] = set()
        self._mapped: list[str] = []

    async def open(self) -> None:
        """Read the catalogue and open the bus.

        Raises:
            LinkUnavailable: with the reason and the remedy.
            InputError: the catalogue has been changed since it was checked, and cannot be read.

        """
        await asyncio.to_thread(self.prepare)
        await super().open()

    def prepare(self) -> None:
        """Read the catalogue."""
        own = message_catalogue.wanted_of(self._settings)
        self._mapped = [take.signal for message in own for take in message.takes]
        self.decoder = CanBatches(self._source, messages_of(self._settings), close_after_us(self._settings))

    def as_read(self, piece: CapturedPiece) -> can_bus.CanRead:
        """Return the frame of a captured piece; one that is no frame counts as noise."""
        frame = frame_of(piece)
        return can_bus.CanRead([] if frame is None else [frame], 0, int(frame is None))

    def decode(self, pieces: list[Piece[can_bus.CanRead]]) -> Iterable[Batch]:
        """Return a batch for each group that has rows."""
        for piece in pieces:
            if piece.lost_before:
                self.decoder.frames_lost()
            self.error_frames += piece.data.errors
            self.unreadable += piece.data.unreadable
            self.decoder.feed(piece.data.frames)
            self.decoder.close_due(piece.arrival)
        for what in self.decoder.figures.filtered.keys() - self._told:
            self._told.add(what)
            log.warning("source %s: left out, as about something else: %s", self._source, what)
        return self.decoder.taken()

    def advice(self) -> str:
        """Say what a bus carries of which nothing is of use."""
        return self.decoder.nothing_read()

    def mapped(self) -> Iterable[str]:
        """Return what the owner's catalogue says must come; a standard names more than any one device sends."""
        return self._mapped

    def seen(self) -> str:
        """Return which frames came."""
        return self.decoder.seen()

    @staticmethod
    def write_raw(pieces: Iterable[CapturedPiece], stream: TextIO) -> None:
        """Write the frames that were kept as raw bytes as a log, which can be replayed with another catalogue."""
        stream.writelines(log_line(piece) for piece in pieces)

    @staticmethod
    def fault_names(settings: Settings) -> dict[str, FaultNames]:
        """Return what the value tables of the owner's catalogue call a fault, by signal."""
        return message_catalogue.fault_names_of(settings_of(CanMessagesSettings, settings))

    @staticmethod
    async def tried(how: Listening) -> list[Heard]:
        """Listen on every CAN bus in reach."""
        from .links.trying import try_buses

        return await try_buses(how)

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each CAN interface in reach."""
        return await asyncio.to_thread(can_bus.buses_in_reach)

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a simulated machine's devices on a bus over UDP multicast."""
        from .simulated.can_peer import CanPeer
        from .simulated.peer import simulated

        return simulated(CanPeer, settings)


def _tap_frames(
    tap: Callable[[int, Direction, bytes], None], direction: Direction, frames: Iterable[CanFrame]
) -> None:
    for frame in frames:
        tap(frame.arrival, direction, as_bytes(frame))


def close_after_us(settings: DecodingSettings) -> int:
    """Return how long a row over several messages stays open, microseconds."""
    return round(settings.close_after_s * 1e6)


def messages_of(settings: DecodingSettings) -> list[can_standards.ReadMessage]:
    """Return all that a source reads, the owner's catalogue first.

    Raises:
        InputError: the catalogue cannot be read.

    """
    own = can_standards.owners_messages(message_catalogue.wanted_of(settings))
    taken = {take.signal for message in own for take in message.wanted.takes}
    messages = own + can_standards.standard_messages(settings, taken)
    if not messages:
        raise InputError("the message catalogue no longer gives any signal of ours; check catalogue and signals")
    return messages
