"""A pack that speaks Bluetooth LE, played behind a private Bluetooth service: a far end for the bluetooth-le driver.

By default it offers the standard characteristics. Asked for frames, it sends its rows as frames of its own, cut into
pieces of 20 bytes as small radios do, either by itself or one for each request that is written to it; the frame
map that describes them comes with the settings. On demand it misbehaves.
"""

from __future__ import annotations

import asyncio
import random
import struct
import tempfile
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any, Literal, Protocol

from telemetry.driver import Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import Clock, SystemClock

from ..decode import bluetooth_characteristics as standard
from ..decode.bluetooth_characteristics import full_uuid
from .bluetooth_frames import PIECE_BYTES, REQUEST, START, FrameWriter
from .bluetooth_service import BluetoothService, SimulatedCharacteristic, SimulatedPeripheral
from .private_bus import PrivateBus
from .serving import cancelled, machine_by

SEND_EVERY_US = 20_000
ADDRESS = "C0:00:5E:00:53:02"
NAME = "orchard pack"
OWN_SERVICE = "6f1d0010-5c1e-4d2a-9b1e-0c5e00530001"
STREAM = "6f1d0011-5c1e-4d2a-9b1e-0c5e00530001"
REQUESTS = "6f1d0012-5c1e-4d2a-9b1e-0c5e00530001"

Speech = Literal["standard", "frames", "frames on request"]


class Machine(Protocol):
    """What plays: gives what became known up to a time, microseconds since the Unix epoch."""

    @property
    def groups(self) -> Sequence[Group]:
        """The groups that it gives."""
        ...

    def advance_to(self, t: int) -> list[Batch]:
        """Return the batches of everything after the last call up to ``t``."""
        ...


class StandardSpeech:
    """The standard characteristics of a pack, and how a row becomes their values."""

    def __init__(self) -> None:
        both = ("read", "notify")
        self.level = _standard(standard.BATTERY_LEVEL, both)
        self.status = _standard(standard.BATTERY_LEVEL_STATUS, both)
        self.voltage = _standard(standard.VOLTAGE, both, b"\xff\xff")
        self.current = _standard(standard.ELECTRIC_CURRENT, both, b"\xff\xff")
        self.temperature = _standard(standard.TEMPERATURE, ("read",), b"\x00\x80")
        self.services = {
            full_uuid(standard.BATTERY_SERVICE): [self.level, self.status],
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


class FrameSpeech:
    """Rows as frames on one characteristic; by itself, or the newest of every kind for a request on another."""

    def __init__(self, groups: Sequence[tuple[str, tuple[str, ...]]], on_request: bool) -> None:
        self.on_request = on_request
        self.writer = FrameWriter(groups)
        self.stream = SimulatedCharacteristic(STREAM, ("notify",))
        self.requests = SimulatedCharacteristic(REQUESTS, ("write", "write-without-response"), on_write=self._asked)
        self.services = {OWN_SERVICE: [self.stream, self.requests]}
        self._asked_for = False
        self._newest: dict[int, bytes] = {}

    def _asked(self, data: bytes) -> None:
        self._asked_for = self._asked_for or data == REQUEST

    def values(self, batches: Iterable[Batch]) -> list[tuple[SimulatedCharacteristic, bytes]]:
        """Return the pieces of every row's frame, or of what a request is owed."""
        frames = self.writer.frames(batches)
        if self.on_request:
            self._newest |= {frame[2]: frame for frame in frames}
            if not self._asked_for or not self._newest:
                return []
            frames = [b"".join(self._newest.values())]
            self._newest, self._asked_for = {}, False
        return [(self.stream, piece) for frame in frames for piece in pieces(frame)]


def pieces(frame: bytes) -> list[bytes]:
    """Return ``frame`` cut as small radios cut it."""
    return [frame[at : at + PIECE_BYTES] for at in range(0, len(frame), PIECE_BYTES)]


class BluetoothFarEnd:
    """The pack. Use as an async context manager; it sends for as long as that is open.

    Args:
        machine: what it measures.
        clock: real time; the machine follows it.
        speech: what it speaks.
        seed: of the garbage.
        name: what it gives out as its name.

    Attributes:
        service: the Bluetooth service that it is behind.

    """

    def __init__(
        self, machine: Machine, clock: Clock, speech: Speech = "standard", seed: int = 0, name: str = NAME
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        groups = [(group.name, group.signals) for group in machine.groups]
        self.speech = StandardSpeech() if speech == "standard" else FrameSpeech(groups, speech != "frames")
        advertised = (full_uuid(standard.BATTERY_SERVICE),) if speech == "standard" else (OWN_SERVICE,)
        self._peripheral = SimulatedPeripheral(ADDRESS, name, self.speech.services, advertised)
        self._silent = False
        self._garbage_until = 0
        self._stack = AsyncExitStack()
        self._folder = ""
        self._bus = PrivateBus()
        self.service: BluetoothService

    async def __aenter__(self) -> BluetoothFarEnd:
        async with AsyncExitStack() as stack:
            self._folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="shakedown-"))
            await stack.enter_async_context(self._bus)
            self.service = BluetoothService(self._bus.address, self._peripheral)
            await self.service.start()
            stack.callback(self.service.die)
            sending = asyncio.create_task(self._send_on(), name="simulated pack")
            stack.push_async_callback(cancelled, sending)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self._stack.aclose()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this pack."""
        reach: dict[str, Any] = {"address": ADDRESS, "system_bus": self._bus.address, "scan_s": 1.0}
        if isinstance(self.speech, FrameSpeech):
            path = Path(self._folder) / "pack.toml"
            path.write_text(self.speech.writer.map_text(self.speech.on_request), "utf-8")
            reach |= {"map": str(path), "notify": STREAM}
            reach |= {"write": REQUESTS} if self.speech.on_request else {}
        return reach

    def connect(self) -> None:
        """Come back into reach."""
        self.service.in_reach = True

    def disconnect(self) -> None:
        """Go out of reach: a connection breaks, and nothing is heard until :meth:`connect`."""
        self.service.in_reach = False
        self.service.drop()

    def cut_mid_line(self) -> None:
        """Send the first part of a frame, or of a value, then go out of reach."""
        self.service.notify(self._noisy(), START[:1])
        self.disconnect()

    def be_silent(self, silent: bool = True) -> None:
        """Send nothing, with the connection open, or send again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Send random bytes in place of values for a while."""
        self._garbage_until = self._clock.now() + round(seconds * 1e6)

    def _noisy(self) -> SimulatedCharacteristic:
        return self.speech.stream if isinstance(self.speech, FrameSpeech) else self.speech.voltage

    async def _send_on(self) -> None:
        due = self._clock.now()
        while True:
            due = max(due + SEND_EVERY_US, self._clock.now())
            await self._clock.sleep_until(due)
            now = self._clock.now()
            values = self.speech.values(self._machine.advance_to(now))
            if now < self._garbage_until:
                self.service.notify(self._noisy(), self._random.randbytes(PIECE_BYTES))
            elif not self._silent:
                for characteristic, value in values:
                    self.service.notify(characteristic, value)


@asynccontextmanager
async def simulated_far_end(settings: Settings) -> AsyncIterator[Mapping[str, Any]]:
    """Put a simulated machine behind a private Bluetooth service, and give the settings that reach it.

    The settings bear the address of the private bus as ``system_bus``; another program reaches it with that address
    in the environment variable ``DBUS_SYSTEM_BUS_ADDRESS``.

    Args:
        settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

    """
    clock = SystemClock()
    machine = machine_by(settings, clock)
    async with BluetoothFarEnd(machine, clock) as far_end:
        yield far_end.settings
