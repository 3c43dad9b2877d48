"""A pack, or anything that speaks Bluetooth LE: by the standard battery characteristics, or by a frame map.

See ``docs/bluetooth-le.md`` for what is understood and for each setting. Without a map nothing is ever written to
the device; with one, the requests that it states are, and nothing else.
"""

from __future__ import annotations

import sys
from collections.abc import AsyncGenerator, AsyncIterator, Iterable, Mapping
from contextlib import AbstractAsyncContextManager, aclosing
from typing import Any, ClassVar, Literal, cast

from telemetry.driver import DriverContext, Heard, Listening, Settings
from telemetry.model.batch import Batch
from telemetry.model.errors import LinkUnavailable, printable
from telemetry.model.tables import settings_of

from .decode.bluetooth_characteristics import BATTERY_SERVICE, full_uuid
from .decode.bluetooth_readings import ReadingFigures
from .decode.frame_decoder import FrameFigures
from .decode.frame_map import ByFrameMap
from .links import bluetooth_le_link
from .links.bluetooth_le_frames import FrameSession
from .links.bluetooth_le_link import BluetoothLink
from .links.bluetooth_le_settings import BluetoothLeSettings
from .links.bluetooth_le_standard import StandardSession
from .links.bluetooth_le_types import Seen

LOOK_ROUND_S = 4.0


class BluetoothLeDriver(ByFrameMap):
    """Reads a Bluetooth LE device; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "radio"
    table: ClassVar = BluetoothLeSettings

    def __init__(self, context: DriverContext) -> None:
        self._settings = s = settings_of(BluetoothLeSettings, context.settings)
        self.silence_s: float | None = s.silence_s
        self._context = context
        self._link = BluetoothLink(s, context.clock)
        self._session: StandardSession | FrameSession | None = None

    @property
    def figures(self) -> ReadingFigures | FrameFigures | None:
        """What came so far in this opening; None before it is open."""
        return None if self._session is None else self._session.figures

    async def open(self) -> None:
        """Find the device, connect, and subscribe to what it sends by itself.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        session = self._make_session()
        await session.begin(await self._link.open())
        self._session = session

    def _make_session(self) -> StandardSession | FrameSession:
        s = self._settings
        if s.map is None:
            return StandardSession(self._link, self._context, s)
        return FrameSession(self._link, self._context, s, s.map)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield what arrives, as it comes.

        Raises:
            LinkLost: the device disconnected, or no longer answers.

        """
        assert self._session is not None, "readings() before open()"
        async with aclosing(cast("AsyncGenerator[Batch, None]", self._session.batches())) as batches:
            async for batch in batches:
                yield batch

    def advice(self) -> str:
        """Say what is wrong with bytes that give nothing."""
        return self._session.advice() if isinstance(self._session, FrameSession) else ""

    def mapped(self) -> Iterable[str]:
        """Return what the map says must come; nothing where the device speaks by the standard."""
        return () if self._settings.map is None else self._settings.map.always

    def seen(self) -> str:
        """Return which frames came."""
        return self._session.figures.seen if isinstance(self._session, FrameSession) else ""

    async def close(self) -> None:
        """Stop asking and disconnect."""
        if self._session is not None:
            await self._session.end()
        await self._link.close()

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each Bluetooth LE device heard, and under ``seems`` what it seems to speak.

        Raises:
            LinkUnavailable: there is no Bluetooth here, or it may not be used.

        """
        seen = await bluetooth_le_link.look_round(LOOK_ROUND_S)
        return [{"address": one.address, "seems": _seems(one)} for one in seen]

    @classmethod
    async def tried(cls, how: Listening) -> list[Heard]:
        """Return the devices that advertise themselves; none is connected to, for that would be to send.

        Raises:
            LinkUnavailable: as for :meth:`discover`.

        """
        seen = [one for one in await cls.discover() if not how.only or one["address"] in how.only]
        return [
            Heard(one["address"], one["seems"], {"driver": "bluetooth-le", "address": one["address"]}) for one in seen
        ]

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a simulated machine's pack behind a private Bluetooth service (Linux).

        Raises:
            LinkUnavailable: this is not Linux, or ``dbus-daemon`` is not there.

        """
        if sys.platform != "linux":
            raise LinkUnavailable("a simulated Bluetooth pack needs Linux; use watch --demo, or another link")
        from .simulated.bluetooth_peer import BluetoothPeer
        from .simulated.peer import simulated

        return simulated(BluetoothPeer, settings)


def _seems(one: Seen) -> str:
    name = printable(one.name, 40) if one.name else "no name"
    if full_uuid(BATTERY_SERVICE) in one.services:
        return f"{name}: Battery Service, no map needed"
    return f"{name}: tells of no Battery Service, so it probably needs a map"
