"""Reads the standard characteristics of an open Bluetooth LE device: subscribed where they notify, else in turn.

What notifies is read, too, at the start and when it has been quiet for long: many packs send a level only when it
changes, and a pack that rests is not a link that has failed.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence

from telemetry.driver import DriverContext
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import LinkError, LinkUnavailable

from ..decode.bluetooth_characteristics import BATTERY_HEALTH_INFORMATION, BATTERY_INFORMATION, short_number
from ..decode.bluetooth_readings import ReadingFigures, StandardReadings
from .bluetooth_le_link import BluetoothLink
from .bluetooth_le_settings import BluetoothLeSettings
from .bluetooth_le_types import Present

UNCHANGING_US = 60 * MICROSECONDS
"""How often what hardly ever changes (nameplate values) is read."""
_UNCHANGING = (BATTERY_INFORMATION, BATTERY_HEALTH_INFORMATION)


class StandardSession:
    """One opening of a device without a frame map.

    Its tap gets the bytes of each value after its characteristic's assigned number (two bytes, big-endian).

    Args:
        link: opened already.
        context: of the driver.
        settings: what its source states.

    """

    def __init__(self, link: BluetoothLink, context: DriverContext, settings: BluetoothLeSettings) -> None:
        self._link, self._tap = link, context.tap
        self._source, self._clock = context.source, context.clock
        self._interval = round(settings.interval_s * MICROSECONDS)
        self._quiet = round(settings.silence_s / 3 * MICROSECONDS)
        self._numbers: dict[int, int] = {}
        self._periods: dict[int, int] = {}
        self._asking: asyncio.Task[None] | None = None
        self._readings = StandardReadings(self._source, {}, 0)

    @property
    def figures(self) -> ReadingFigures:
        """What came so far."""
        return self._readings.figures

    async def begin(self, present: Sequence[Present]) -> None:
        """Subscribe to all that notifies.

        Raises:
            LinkUnavailable: there is nothing standard to read, or the device refuses.

        """
        numbers = {one.handle: number for one in present if (number := short_number(one.uuid)) is not None}
        self._numbers = numbers
        holds_us = max(2 * self._quiet, 3 * self._interval)
        self._readings = StandardReadings(self._source, numbers, holds_us)
        usable = [one for one in present if one.handle in self._readings.handles]
        usable = [one for one in usable if one.notifies or one.can_be_read]
        if not usable:
            raise LinkUnavailable(
                f"{self._link} has no standard battery characteristic; describe its bytes in a frame map and give "
                f"map and notify, which may be one of: {notifying(present)}"
            )
        for one in usable:
            if one.notifies:
                await self._link.subscribe(one.handle)
        self._periods = {one.handle: self._period(one, numbers[one.handle]) for one in usable if one.can_be_read}

    def _period(self, one: Present, number: int) -> int:
        """Microseconds after which a value is asked for if it has not come by itself."""
        if number in _UNCHANGING:
            return UNCHANGING_US
        return self._quiet if one.notifies else self._interval

    async def batches(self) -> AsyncIterator[Batch]:
        """Yield one batch for each value that arrives.

        Raises:
            LinkLost: the device disconnected, or no longer answers.

        """
        self._asking = asyncio.create_task(self._ask_in_turn(), name=f"reading {self._link}")
        try:
            while True:
                for piece in await self._link.take():
                    if self._tap is not None:
                        number = self._numbers.get(piece.handle, 0)
                        self._tap(piece.arrival, "in", number.to_bytes(2, "big") + piece.data)
                    batch = self._readings.feed(piece.handle, piece.data, piece.arrival)
                    if batch is not None:
                        yield batch
        finally:
            await self.end()

    async def _ask_in_turn(self) -> None:
        """Read, one after the other, what has not come by itself for its period; all of it once at the start."""
        due = dict.fromkeys(self._periods, self._clock.now())
        try:
            while due:
                handle = min(due, key=due.__getitem__)
                await self._clock.sleep_until(due[handle])
                heard = self._link.heard(handle)
                if heard is None or heard + self._periods[handle] <= self._clock.now():
                    await self._link.read(handle)
                    heard = self._clock.now()
                due[handle] = heard + self._periods[handle]
        except LinkError as error:
            self._link.fail(error)

    async def end(self) -> None:
        """Stop asking; twice if asked."""
        asking, self._asking = self._asking, None
        if asking is not None:
            asking.cancel()
            await asyncio.wait([asking])


def notifying(present: Sequence[Present]) -> str:
    """Return the UUIDs that can be subscribed to, for a sentence."""
    return ", ".join([one.uuid for one in present if one.notifies][:8]) or "none, since nothing on it notifies"
