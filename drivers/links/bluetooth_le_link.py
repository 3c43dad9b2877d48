"""A Bluetooth LE device through bleak: the only place that imports it.

What each rule stands for was seen to go wrong otherwise: a fresh client each opening (subscriptions do not survive
a reconnect); a scan before each connect (the operating system forgets devices); one lock an adapter (scanning and
connecting at once fail); a time limit on every open and close (either can hang); whatever ends the link goes
through the same queue as what arrives, so that a waiting reader always hears of it.

When the system's Bluetooth service dies, bleak calls nobody and still says that it is connected. Nothing here can
see that: the silence limit of the source does.
"""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections import deque
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

from telemetry.driver import CLOSE_LIMIT_S, OPEN_LIMIT_S
from telemetry.model.clock import Clock, event_or
from telemetry.model.errors import LinkError, LinkLost, LinkUnavailable, printable

from .bluetooth_le_settings import BluetoothLeSettings
from .bluetooth_le_trouble import sentence_for
from .bluetooth_le_types import Notification, Present, Seen

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

log = logging.getLogger(__name__)

QUEUE_LIMIT = 2048
"""Notifications that wait for the reader before the oldest are given up."""
READ_LIMIT_S = 4.0
ECHO_US = 100_000
"""How long after the answer to a read the same value counts as that answer once more."""
BUS_VARIABLE = "DBUS_SYSTEM_BUS_ADDRESS"
_MARGIN_S = 1.0
_ON_ANY_DEVICE = ("1800", "1801", "180f")
"""Generic Access and Generic Attribute, which nearly every device has, and the Battery Service."""

_locks: WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str, asyncio.Lock]] = WeakKeyDictionary()


def adapter_lock(adapter: str | None) -> asyncio.Lock:
    """Return the lock of an adapter in this event loop; scanning and connecting hold it.

    No adapter means the first, which is nearly always ``hci0``, so both names share a lock.
    """
    loop_locks = _locks.setdefault(asyncio.get_running_loop(), {})
    return loop_locks.setdefault(adapter or "hci0", asyncio.Lock())


def _choose_bus(system_bus: str | None) -> None:
    """Tell bleak, which only looks at the environment, which bus the Bluetooth service is on."""
    if system_bus is not None:
        os.environ[BUS_VARIABLE] = system_bus


class BluetoothLink:
    """One opening of one device.

    Args:
        wanted: which.
        clock: gives arrival times.

    """

    def __init__(self, wanted: BluetoothLeSettings, clock: Clock) -> None:
        self._wanted = wanted
        self._clock = clock
        self._client: BleakClient | None = None
        self._characteristics: dict[int, BleakGATTCharacteristic] = {}
        self._waiting: deque[Notification] = deque()
        self._arrived = asyncio.Event()
        self._failure: LinkError | None = None
        self._latest: dict[int, tuple[int, bytes]] = {}
        self._answers: dict[int, tuple[int, bytes]] = {}
        self._closing = False
        self.lost = 0

    def __str__(self) -> str:
        return str(self._wanted)

    async def open(self) -> tuple[Present, ...]:
        """Find the device, connect to it and return its characteristics in the device's order.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        _choose_bus(self._wanted.system_bus)
        doing = "waiting for the adapter, which another source is using"
        limit_s = OPEN_LIMIT_S - _MARGIN_S
        end = time.monotonic() + limit_s
        try:
            async with asyncio.timeout(limit_s), adapter_lock(self._wanted.adapter):
                doing = "looking for it"
                device = await self._find()
                doing = "connecting to it"
                await self._connect(device, max(0.1, end - time.monotonic()))
        except LinkError:
            raise
        except TimeoutError as error:
            raise LinkUnavailable(
                f"{self._wanted} did not open within {limit_s:g} s, {doing}; bring it nearer, or wake it"
            ) from error
        except Exception as error:
            raise LinkUnavailable(sentence_for(error, str(self._wanted), self._wanted.adapter)) from error
        return self._present()

    async def _find(self) -> BLEDevice:
        from bleak import BleakScanner

        wanted = self._wanted
        device = await BleakScanner.find_device_by_filter(
            lambda device, heard: _is_wanted(wanted, device, heard), timeout=wanted.scan_s, bluez=_on(wanted.adapter)
        )
        if device is None:
            device = await self._find_connected()
        if device is None:
            raise LinkUnavailable(
                f"{wanted} was not heard within {wanted.scan_s:g} s; bring it nearer, wake it, and disconnect "
                "any telephone or other program that holds it, since most devices talk to one at a time"
            )
        return device

    async def _find_connected(self) -> BLEDevice | None:
        """Return the device if the system holds a connection to it still, as after a program that was killed.

        A device is not heard while it is connected. Scanning comes first all the same, since after the system's
        Bluetooth service has died what is known of connections is out of date.
        """
        from bleak import BleakAdapter

        wanted = self._wanted
        services = list(_ON_ANY_DEVICE) if wanted.service is None else [wanted.service]
        try:
            adapter = await BleakAdapter.get(bluez=_on(wanted.adapter))
            connected = await adapter.get_connected_devices(services)
        except NotImplementedError:
            return None
        return next((device for device in connected if _is_wanted(wanted, device)), None)

    async def _connect(self, device: BLEDevice, limit_s: float) -> None:
        from bleak import BleakClient

        # the time limit of the whole opening cancels this; bleak's own only has to be no shorter
        client = BleakClient(device, self._on_disconnected, timeout=limit_s, bluez=_on(self._wanted.adapter))
        self._client = client
        await client.connect()
        self._characteristics = {
            characteristic.handle: characteristic
            for service in sorted(client.services, key=lambda service: service.handle)
            for characteristic in sorted(service.characteristics, key=lambda one: one.handle)
        }

    def _present(self) -> tuple[Present, ...]:
        return tuple(
            Present(handle, characteristic.uuid.lower(), frozenset(characteristic.properties))
            for handle, characteristic in self._characteristics.items()
        )

    def _on_disconnected(self, client: BleakClient) -> None:
        if client is self._client and not self._closing:
            self.fail(LinkLost(f"{self._wanted} has disconnected; it may be out of reach, off, or asleep"))

    def fail(self, error: LinkError) -> None:
        """End the link: what waits is still given out, then :meth:`take` raises ``error``."""
        if self._failure is None:
            self._failure = error
        self._arrived.set()

    async def subscribe(self, handle: int) -> None:
        """Have the device send a characteristic's values by itself; they come by :meth:`take`.

        Raises:
            LinkUnavailable: it refuses.

        """
        try:
            async with asyncio.timeout(READ_LIMIT_S):
                await self._opened().start_notify(
                    self._characteristics[handle], lambda _, data: self._notified(handle, bytes(data))
                )
        except LinkError:
            raise
        except Exception as error:
            what = f"{self._wanted}, subscribing to {self._characteristics[handle].uuid}"
            raise LinkUnavailable(sentence_for(error, what, self._wanted.adapter)) from error

    def _notified(self, handle: int, data: bytes) -> None:
        """Take a notification, unless it repeats the answer to a read that has just come."""
        answered, answer = self._answers.pop(handle, (0, b""))
        if answer != data or self._clock.now() > answered + ECHO_US:
            self._put(handle, data)

    def _put(self, handle: int, data: bytes) -> None:
        arrival = self._clock.now()
        lost = 0
        if len(self._waiting) == QUEUE_LIMIT:
            lost = self._waiting.popleft().lost_before + 1
            self.lost += 1
            first = self._waiting[0]
            self._waiting[0] = Notification(first.handle, first.arrival, first.data, first.lost_before + lost)
        self._waiting.append(Notification(handle, arrival, data))
        self._latest[handle] = (arrival, data)
        self._arrived.set()

    def heard(self, handle: int) -> int | None:
        """Return when a characteristic's last value came, or None if none has."""
        return self._latest[handle][0] if handle in self._latest else None

    async def take(self, until: int | None = None) -> list[Notification]:
        """Return all that waits, oldest first; wait for something if nothing does.

        Args:
            until: when to give up waiting and return nothing, microseconds since the Unix epoch; None for never.

        Raises:
            LinkLost: the link broke; everything that came before has been given out.

        """
        while not self._waiting:
            if self._failure is not None:
                raise self._failure
            if until is not None and self._clock.now() >= until:
                return []
            self._arrived.clear()
            await self._something(until)
        return self.take_waiting()

    def take_waiting(self) -> list[Notification]:
        """Return what waits now, oldest first; nothing if nothing does."""
        pieces = list(self._waiting)
        self._waiting.clear()
        return pieces

    async def _something(self, until: int | None) -> None:
        """Wait until something has arrived, the link has ended, or ``until``."""
        if until is None:
            await self._arrived.wait()
        else:
            await event_or(self._clock, until, self._arrived)

    async def read(self, handle: int) -> None:
        """Ask for a characteristic's value; it comes by :meth:`take`.

        Some systems give the answer to a subscribed characteristic's read as a notification too, before or after: it
        comes once.

        Raises:
            LinkLost: no answer, or the link is not open.

        """
        asked = self._clock.now()
        characteristic = self._characteristics[handle]
        try:
            async with asyncio.timeout(READ_LIMIT_S):
                data = bytes(await self._opened().read_gatt_char(characteristic))
        except LinkError:
            raise
        except Exception as error:
            what = f"{self._wanted}, reading {characteristic.uuid}"
            raise LinkLost(sentence_for(error, what, self._wanted.adapter)) from error
        came, notified = self._latest.get(handle, (asked - 1, b""))
        if came < asked or notified != data:
            self._put(handle, data)
            self._answers[handle] = (self._clock.now(), data)

    async def write(self, handle: int, data: bytes) -> None:
        """Write ``data`` as it is to a characteristic.

        Raises:
            LinkLost: it was not taken.

        """
        characteristic = self._characteristics[handle]
        try:
            async with asyncio.timeout(READ_LIMIT_S):
                await self._opened().write_gatt_char(
                    characteristic, data, response="write" in characteristic.properties
                )
        except LinkError:
            raise
        except Exception as error:
            what = f"{self._wanted}, writing a request to {characteristic.uuid}"
            raise LinkLost(sentence_for(error, what, self._wanted.adapter)) from error

    def _opened(self) -> BleakClient:
        if self._client is None or self._closing:
            raise LinkLost(f"{self._wanted} is not open")
        return self._client

    async def close(self) -> None:
        """Disconnect; from any state, twice if asked, without raising, within the time limit."""
        self._closing = True
        self.fail(LinkLost("the link has been closed"))
        client, self._client = self._client, None
        if client is None:
            return
        try:
            async with asyncio.timeout(CLOSE_LIMIT_S - _MARGIN_S):
                await client.disconnect()
        except Exception as error:
            log.info("closing %s: %s", self._wanted, printable(repr(error), 200))


def _on(adapter: str | None) -> Any:
    return {} if adapter is None else {"adapter": adapter}


def _is_wanted(wanted: BluetoothLeSettings, device: BLEDevice, heard: AdvertisementData | None = None) -> bool:
    """Tell whether it is the one; without ``heard``, a device that is known to have the wanted service."""
    if wanted.address is not None:
        return device.address.lower() == wanted.address.lower()
    if wanted.name is not None:
        return wanted.name in (device.name, None if heard is None else heard.local_name)
    return heard is None or wanted.service in [uuid.lower() for uuid in heard.service_uuids]


async def look_round(seconds: float) -> Sequence[Seen]:
    """Return the devices heard within ``seconds``, the strongest first.

    Raises:
        LinkUnavailable: there is no Bluetooth here, or it may not be used; with the remedy.

    """
    from bleak import BleakScanner

    try:
        async with asyncio.timeout(seconds + CLOSE_LIMIT_S), adapter_lock(None):
            heard = await BleakScanner.discover(seconds, return_adv=True, bluez=_on(None))
    except Exception as error:
        raise LinkUnavailable(sentence_for(error, "looking for Bluetooth devices", None)) from error
    seen = [
        Seen(
            device.address,
            data.local_name or device.name,
            tuple(uuid.lower() for uuid in data.service_uuids),
            data.rssi,
        )
        for device, data in heard.values()
    ]
    return sorted(seen, key=lambda one: (-one.signal_dbm, one.address))
