"""Reads frames from a characteristic of an open Bluetooth LE device, by a frame map.

What is written to the device is the map's requests, byte for byte, and nothing else.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Sequence

from telemetry.driver import DriverContext
from telemetry.model.batch import Batch, merged
from telemetry.model.errors import LinkError, LinkUnavailable

from ..decode.frame_decoder import FrameDecoder, FrameFigures
from ..decode.frame_layout import FrameMap
from ..decode.frame_poll import FramePoll
from .bluetooth_le_link import BluetoothLink
from .bluetooth_le_settings import BluetoothLeSettings
from .bluetooth_le_standard import notifying
from .bluetooth_le_types import Notification, Present

GATHER_US = 5_000
"""How long to wait for what comes on the heels of a notification."""


class FrameSession:
    """One opening of a device with a frame map.

    Args:
        link: opened already.
        context: of the driver.
        settings: what its source states, with ``frame_map``, its map.

    """

    def __init__(
        self, link: BluetoothLink, context: DriverContext, settings: BluetoothLeSettings, frame_map: FrameMap
    ) -> None:
        self._link, self._tap, self._clock = link, context.tap, context.clock
        self._map = frame_map
        self._decoder = FrameDecoder(frame_map, context.source)
        self._notify, self._write = settings.notify, settings.write
        self._write_handle = 0

    @property
    def figures(self) -> FrameFigures:
        """What became of the bytes so far."""
        return self._decoder.figures

    async def begin(self, present: Sequence[Present]) -> None:
        """Find the characteristics and subscribe.

        Raises:
            LinkUnavailable: the device lacks one, or refuses.

        """
        sending = [one for one in present if one.uuid == self._notify and one.notifies]
        if not sending:
            raise LinkUnavailable(
                f"{self._link} has no characteristic {self._notify} that notifies; for notify, choose from: "
                f"{notifying(present)}"
            )
        if self._map.requests:
            taking = [one for one in present if one.uuid == self._write and one.writable]
            if not taking:
                able = ", ".join([one.uuid for one in present if one.writable][:8]) or "none"
                raise LinkUnavailable(
                    f"{self._link} has no characteristic {self._write} that can be written; for write, choose "
                    f"from: {able}"
                )
            self._write_handle = taking[0].handle
        await self._link.subscribe(sending[0].handle)

    async def batches(self) -> AsyncIterator[Batch]:
        """Yield what the frames bring; where the map has requests, send them in its cycle.

        Raises:
            LinkLost: the device disconnected, or does not take a request.

        """
        poll = FramePoll(self._map, self._clock.now()) if self._map.requests else None
        try:
            while True:
                left: list[Batch] = []
                for data in () if poll is None else poll.due(self._clock.now, self._decoder, left):
                    if self._tap is not None:
                        self._tap(self._clock.now(), "out", data)
                    await self._link.write(self._write_handle, data)
                for batch in left:
                    yield batch
                for batch in self._fed(await self._taken(None if poll is None else poll.wake)):
                    yield batch
        except LinkError:
            for batch in self._decoder.cycle_over():
                yield batch
            raise

    async def _taken(self, until: int | None) -> list[Notification]:
        """Return what comes by ``until``, and what comes on its heels: a pack that sends fast makes fewer batches."""
        pieces = await self._link.take(until)
        if pieces:
            await self._clock.sleep_until(self._clock.now() + GATHER_US)
            pieces += self._link.take_waiting()
        return pieces

    def _fed(self, pieces: Iterable[Notification]) -> list[Batch]:
        found: dict[tuple[str, str], list[Batch]] = {}
        for piece in pieces:
            if piece.lost_before:
                self._decoder.restart()
            if self._tap is not None:
                self._tap(piece.arrival, "in", piece.data)
            for batch in self._decoder.feed(piece.data, piece.arrival):
                found.setdefault(batch.group.key, []).append(batch)
        return [merged(batches) for batches in found.values()]

    def advice(self) -> str:
        """Say what is wrong with bytes that give nothing."""
        return self.figures.nothing_read("notify")

    async def end(self) -> None:
        """Nothing runs beside :meth:`batches`."""
