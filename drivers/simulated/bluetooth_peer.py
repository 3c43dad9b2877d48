"""A pack that offers the standard Bluetooth LE characteristics, behind a private Bluetooth service."""

from __future__ import annotations

import asyncio
import shutil
import struct
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from pathlib import Path
from typing import Any, Protocol

from telemetry.model.batch import Batch
from telemetry.model.clock import Clock
from telemetry.model.errors import LinkUnavailable

from ..decode import bluetooth_characteristics as standard
from ..decode.bluetooth_characteristics import full_uuid
from .bluetooth_service import BluetoothService, SimulatedCharacteristic, SimulatedPeripheral
from .peer import Machine, Peer

BUS_LIMIT_S = 5.0
_CONFIGURATION = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
  </policy>
</busconfig>
"""
ADDRESS = "C0:00:5E:00:53:02"
NAME = "orchard pack"
OWN_SERVICE = "6f1d0010-5c1e-4d2a-9b1e-0c5e00530001"


class Speech(Protocol):
    """What a pack offers, and how rows become its values."""

    services: Mapping[str, Sequence[SimulatedCharacteristic]]
    """Characteristics by the UUID of their service."""
    advertised: str
    """The service that it gives out."""

    def values(self, batches: Iterable[Batch]) -> Iterable[tuple[SimulatedCharacteristic, bytes]]:
        """Return what changes with these rows."""


class StandardSpeech:
    """The standard characteristics of a pack, and how a row becomes their values."""

    advertised = full_uuid(standard.BATTERY_SERVICE)

    def __init__(self) -> None:
        both = ("read", "notify")
        self.level = _standard(standard.BATTERY_LEVEL, both)
        self.status = _standard(standard.BATTERY_LEVEL_STATUS, both)
        self.voltage = _standard(standard.VOLTAGE, both, b"\xff\xff")
        self.current = _standard(standard.ELECTRIC_CURRENT, both, b"\xff\xff")
        self.temperature = _standard(standard.TEMPERATURE, ("read",), b"\x00\x80")
        self.services = {
            self.advertised: [self.level, self.status],
            OWN_SERVICE: [self.voltage, self.current, self.temperature],
        }

    def values(self, batches: Iterable[Batch]) -> list[tuple[SimulatedCharacteristic, bytes]]:
        """Return what changes with these rows; the direction before the current that it is for."""
        found: list[tuple[SimulatedCharacteristic, bytes]] = []
        for batch in batches:
            for row in batch.values.tolist():
                found += self._row(dict(zip(batch.group.signals, row, strict=True)))
        return found

    def _row(self, row: dict[str, float]) -> Iterable[tuple[SimulatedCharacteristic, bytes]]:
        level = row.get("soc_reported")
        if level is not None and (value := bytes([round(min(max(level, 0), 100))])) != self.level.value:
            yield self.level, value
        current = row.get("pack_current")
        if current is not None:
            # present, charge state, level good
            state = standard.CHARGING if current < 0 else standard.DISCHARGING_ACTIVE
            status = struct.pack("<BH", 0, 1 | state << 5 | 1 << 7)
            if status != self.status.value:
                yield self.status, status
            yield self.current, struct.pack("<H", min(round(abs(current) * 100), 65534))
        voltage = row.get("pack_voltage")
        if voltage is not None:
            yield self.voltage, struct.pack("<H", round(voltage * 64))
        temperature = row.get("pack_temperature_1")
        if temperature is not None:
            yield self.temperature, struct.pack("<h", round(temperature * 100))


def _standard(number: int, flags: tuple[str, ...], value: bytes = b"\x00\x00\x00") -> SimulatedCharacteristic:
    return SimulatedCharacteristic(full_uuid(number), flags, value[:1] if number == standard.BATTERY_LEVEL else value)


class BluetoothPeer(Peer):
    """The pack; see :class:`.peer.Peer`.

    Args:
        machine, clock: as for every peer.
        speech: what it speaks.
        name: what it gives out as its name.

    Attributes:
        service: the Bluetooth service that it is behind.

    """

    def __init__(self, machine: Machine, clock: Clock, speech: Speech | None = None, name: str = NAME) -> None:
        super().__init__(machine, clock)
        self.speech = StandardSpeech() if speech is None else speech
        self._peripheral = SimulatedPeripheral(ADDRESS, name, self.speech.services, (self.speech.advertised,))
        self._bus = PrivateBus()
        self.service: BluetoothService

    async def begin(self, stack: AsyncExitStack) -> None:
        """Come up on a private bus."""
        await stack.enter_async_context(self._bus)
        self.service = self.make_service(self._bus.address, self._peripheral)
        await self.service.start()
        stack.callback(lambda: self.service.die())

    def make_service(self, address: str, peripheral: SimulatedPeripheral) -> BluetoothService:
        """Return the service to be behind."""
        return BluetoothService(address, peripheral)

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this pack.

        ``system_bus`` is the address of the private bus; another program reaches it with that address in the
        environment variable ``DBUS_SYSTEM_BUS_ADDRESS``.
        """
        return {"address": ADDRESS, "system_bus": self._bus.address, "scan_s": 1.0}

    def pieces(self, batches: Sequence[Batch]) -> Iterable[tuple[SimulatedCharacteristic, bytes]]:
        """Return what changes with new rows."""
        return self.speech.values(batches)

    def say(self, piece: tuple[SimulatedCharacteristic, bytes]) -> None:
        """Send a value to whoever has subscribed."""
        self.service.notify(*piece)


class PrivateBus:
    """A D-Bus daemon of our own in a folder of its own. Use as an async context manager; ``address`` reaches it."""

    def __init__(self) -> None:
        self.address = ""
        self._folder: tempfile.TemporaryDirectory[str]
        self._process: asyncio.subprocess.Process

    async def __aenter__(self) -> PrivateBus:
        program = shutil.which("dbus-daemon")
        if program is None:
            raise LinkUnavailable(
                "a simulated Bluetooth device needs the program dbus-daemon; install it "
                "(Debian: apt install dbus-daemon)"
            )
        self._folder = tempfile.TemporaryDirectory(prefix="shakedown-")
        socket = Path(self._folder.name) / "bus"
        configuration = Path(self._folder.name) / "bus.conf"
        configuration.write_text(_CONFIGURATION.format(socket=socket), encoding="utf-8")
        self._process = await asyncio.create_subprocess_exec(
            *(program, f"--config-file={configuration}", "--nofork", "--nopidfile", "--print-address=1"),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        assert self._process.stdout is not None
        try:
            async with asyncio.timeout(BUS_LIMIT_S):
                line = await self._process.stdout.readline()
        except TimeoutError:
            line = b""
        if not line:
            await self.__aexit__()
            raise LinkUnavailable("dbus-daemon did not start; see whether it runs by hand: dbus-daemon --session")
        self.address = f"unix:path={socket}"
        return self

    async def __aexit__(self, *exc: object) -> None:
        with suppress(ProcessLookupError):
            self._process.terminate()
        await self._process.communicate()
        self._folder.cleanup()
