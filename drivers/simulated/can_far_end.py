"""A simulated machine on a CAN bus: RV-C frames for the pack, and its other signals by a catalogue made to fit.

It plays on any bus of python-can's (``udp_multicast`` for another process, ``virtual`` within one), or as a serial
adapter on a pseudo-terminal. On demand it misbehaves as adapters do.
"""

from __future__ import annotations

import asyncio
import math
import os
import random
import tempfile
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Protocol

from telemetry.driver import Settings
from telemetry.model.batch import Batch
from telemetry.model.clock import Clock, SystemClock
from telemetry.model.errors import LinkUnavailable
from telemetry.model.signals import cell_number, find_signal

from ..decode.can_frames import EXTENDED
from ..decode.can_signals import Field
from ..decode.can_standards import FOLDER
from ..decode.message_catalogue import Layout, read_catalogue
from ..links.can_bus import FarEndBus
from .serial_text_far_end import Machine
from .serving import cancelled, machine_by

SEND_EVERY_US = 10_000
UDP_CHANNEL = "239.74.163.2"
BIT_RATE = 250_000
FIRST_IDENTIFIER = 0x300
_SIGNALS_A_MESSAGE = 4
_RV_C_SENT = {
    "DcSourceStatus1": {"Voltage": "pack_voltage", "Current": "pack_current"},
    "DcSourceStatus2": {"Temperature": "pack_temperature_1", "StateOfCharge": "soc_reported"},
}
# By unit: bits, signed, scale. The highest count says that there is no reading.
_COUNTED = {
    "V": (16, True, 0.01),
    "A": (16, True, 0.1),
    "%": (16, False, 0.01),
    "degC": (16, True, 0.1),
    "km/h": (16, True, 0.01),
    "rpm": (16, True, 1.0),
    "W": (16, False, 1.0),
}
_ELSE = (32, True, 0.001)


class Way(Protocol):
    """How the far end reaches its reader."""

    settings: dict[str, Any]

    def connect(self) -> None:
        """Plug in."""

    def disconnect(self) -> None:
        """Pull the plug."""

    def send(self, key: int, data: bytes) -> None:
        """Send a frame, or drop it where nothing is plugged in."""

    def send_garbage(self, noise: random.Random) -> None:
        """Send something that is no message."""

    def send_half(self) -> None:
        """Send the first part of a frame, where the way can be cut there."""


class OverBus:
    """A bus of python-can's."""

    def __init__(self, interface: str, channel: str, **options: Any) -> None:
        self.settings: dict[str, Any] = {"interface": interface, "channel": channel}
        self._options = options
        self.bus: FarEndBus | None = None

    def connect(self) -> None:
        """Join the bus."""
        self.bus = FarEndBus(self.settings["interface"], self.settings["channel"], **self._options)

    def disconnect(self) -> None:
        """Leave the bus; those who listen notice only silence."""
        if self.bus is not None:
            self.bus.close()
            self.bus = None

    def send(self, key: int, data: bytes) -> None:
        """Send a frame."""
        if self.bus is not None:
            self.bus.send(key, data)

    def send_garbage(self, noise: random.Random) -> None:
        """Send a frame that no catalogue knows."""
        self.send(EXTENDED | 0x1ABC0000 | noise.randrange(0x10000), noise.randbytes(noise.randrange(9)))

    def send_half(self) -> None:
        """Send nothing: a frame arrives whole or not at all."""


class OverSerialLine:
    """A serial adapter that speaks the lines python-can calls slcan, on a pseudo-terminal.

    Attributes:
        commands: all that the reader wrote, without line ends.

    """

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="shakedown-")
        self.port = str(Path(self._folder.name) / "adapter")
        self.settings: dict[str, Any] = {
            "interface": "slcan",
            "channel": self.port,
            "bit_rate": BIT_RATE,
            "options": {"sleep_after_open": 0.0},
        }
        self.commands: list[str] = []
        self._ends: tuple[int, int] | None = None

    def connect(self) -> None:
        """Plug the adapter in: a new pseudo-terminal under the same path."""
        if not hasattr(os, "openpty"):
            raise LinkUnavailable("a simulated adapter needs pseudo-terminals and this system has none")
        import tty

        main, line = os.openpty()
        tty.setraw(line)
        os.set_blocking(main, False)
        Path(self.port).unlink(missing_ok=True)
        Path(self.port).symlink_to(os.ttyname(line))
        self._ends = (main, line)

    def disconnect(self) -> None:
        """Pull the plug."""
        self._listen()
        Path(self.port).unlink(missing_ok=True)
        for end in self._ends or ():
            os.close(end)
        self._ends = None

    def close(self) -> None:
        """Remove the path."""
        self._folder.cleanup()

    def send(self, key: int, data: bytes) -> None:
        """Send a frame as a line."""
        head = f"T{key & ~EXTENDED:08X}" if key & EXTENDED else f"t{key:03X}"
        self._write(f"{head}{len(data)}{data.hex().upper()}\r".encode())

    def send_garbage(self, noise: random.Random) -> None:
        """Send random bytes."""
        self._write(noise.randbytes(60))

    def send_half(self) -> None:
        """Send half a line."""
        self._write(b"t30080102")

    def _write(self, data: bytes) -> None:
        self._listen()
        if self._ends is not None:
            with suppress(BlockingIOError):
                os.write(self._ends[0], data)

    def _listen(self) -> None:
        if self._ends is None:
            return
        with suppress(BlockingIOError):
            while said := os.read(self._ends[0], 4096):
                self.commands += [line for line in said.decode("latin-1").split("\r") if line]


class CanFarEnd:
    """The machine's devices. Use as an async context manager; they send for as long as that is open.

    Args:
        machine: what they measure.
        clock: real time; the machine follows it.
        way: how they reach the reader.
        groups: the signals of each of the machine's groups.
        rv_c: send the pack's own signals as RV-C; else everything goes by the catalogue.

    Attributes:
        catalogue: path of the catalogue of what is sent.
        sent: frames sent so far.

    """

    def __init__(
        self, machine: Machine, clock: Clock, way: Way, groups: Sequence[Sequence[str]], rv_c: bool = True
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._way = way
        self._random = random.Random(1)  # noqa: S311 - noise, not secrets
        self._rv_c = rv_c
        self._silent = False
        self._garbage_until = 0
        self._connected = False
        self._stack = AsyncExitStack()
        folder = self._stack.enter_context(tempfile.TemporaryDirectory(prefix="shakedown-"))
        self.catalogue = Path(folder) / "simulated-machine.dbc"
        covered = {signal for parts in _RV_C_SENT.values() for signal in parts.values()} if rv_c else set()
        own = [[signal for signal in group if signal not in covered] for group in groups]
        self.catalogue.write_text(catalogue_text(own), encoding="utf-8")
        self._layouts = read_catalogue(self.catalogue)
        rv_c_layouts = {layout.name: layout for layout in read_catalogue(FOLDER / "rv_c.dbc")}
        self._rv_c_layouts = [(rv_c_layouts[name], parts) for name, parts in _RV_C_SENT.items()]
        self._latest: dict[str, float] = {}
        self.sent = 0

    async def __aenter__(self) -> CanFarEnd:
        self.connect()
        self._stack.callback(self.disconnect)
        sending = asyncio.create_task(self._send_on(), name="simulated devices on CAN")
        self._stack.push_async_callback(cancelled, sending)
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self._stack.aclose()
        closing = getattr(self._way, "close", None)
        if closing is not None:
            closing()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach these devices."""
        standard = {"standard": ["rv-c"]} if self._rv_c else {}
        return {**self._way.settings, "catalogue": str(self.catalogue), **standard}

    def connect(self) -> None:
        """Plug in."""
        self._way.connect()
        self._connected = True

    def disconnect(self) -> None:
        """Pull the plug; harmless twice."""
        if self._connected:
            self._connected = False
            self._way.disconnect()

    def cut_mid_line(self) -> None:
        """Send half a frame, then pull the plug."""
        self._way.send_half()
        self.disconnect()

    def be_silent(self, silent: bool = True) -> None:
        """Send nothing, with the link open, or send again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Send what is no message for a while."""
        self._garbage_until = self._clock.now() + round(seconds * 1e6)

    async def _send_on(self) -> None:
        due = self._clock.now()
        while True:
            due = max(due + SEND_EVERY_US, self._clock.now())
            await self._clock.sleep_until(due)
            now = self._clock.now()
            batches = self._machine.advance_to(now)
            if now < self._garbage_until:
                self._way.send_garbage(self._random)
            elif not self._silent and self._connected:
                for key, data in self._frames(batches):
                    self._way.send(key, data)
                    self.sent += 1

    def _frames(self, batches: Sequence[Batch]) -> Iterator[tuple[int, bytes]]:
        """Give the frames of each row: those of the catalogue, and RV-C where a part of it is new."""
        for batch in batches:
            for row in batch.values.tolist():
                values = dict(zip(batch.group.signals, row, strict=True))
                self._latest |= values
                for layout in self._layouts:
                    if not values.keys().isdisjoint(layout.fields):
                        yield layout.key, encoded(layout, values)
                if self._rv_c:
                    yield from self._rv_c_frames(values)

    def _rv_c_frames(self, values: Mapping[str, float]) -> Iterator[tuple[int, bytes]]:
        for layout, parts in self._rv_c_layouts:
            if not values.keys().isdisjoint(parts.values()):
                known = {field: self._latest.get(signal, math.nan) for field, signal in parts.items()}
                yield layout.key, encoded(layout, known | {"Instance": 1, "Priority": 120})


def encoded(layout: Layout, values: Mapping[str, float]) -> bytes:
    """Return a message of little-endian fields; what is not known, or not stated, is all ones or the code for it."""
    length = max(field.bytes_needed for field in layout.fields.values())
    number = (1 << 64) - 1
    for name, field in layout.fields.items():
        mask = (1 << field.bits) - 1
        count = _count(field, values.get(name, math.nan))
        number = number & ~(mask << field.start) | (count & mask) << field.start
    return number.to_bytes(8, "little")[: length if layout.key < EXTENDED else 8]


def _count(field: Field, value: float) -> int:
    if not math.isfinite(value):
        return next(iter(field.unknown), (1 << field.bits) - 1)
    top = (1 << (field.bits - 1 if field.signed else field.bits)) - 2
    return max(-top if field.signed else 0, min(top, round((value - field.offset) / field.scale)))


def catalogue_text(groups: Sequence[Sequence[str]]) -> str:
    """Return a DBC file that carries the signals of each group, four in a message, by their own names."""
    lines = ['VERSION "simulated machine"', "", "NS_ :", "", "BS_:", "", "BU_: Device Recorder", ""]
    values: list[str] = []
    identifier = FIRST_IDENTIFIER
    for group in groups:
        for first in range(0, len(group), _SIGNALS_A_MESSAGE):
            signals = _fitting(group[first : first + _SIGNALS_A_MESSAGE])
            lines.append(f"BO_ {identifier} Machine{identifier:X}: {-(-signals[-1][1] // 8)} Device")
            for name, end, (bits, signed, scale), unit in signals:
                sign = "-" if signed else "+"
                lines.append(f' SG_ {name} : {end - bits}|{bits}@1{sign} ({scale:g},0) [0|0] "{unit}" Recorder')
                none = (1 << (bits - 1 if signed else bits)) - 1
                values.append(f'VAL_ {identifier} {name} {none} "Not available" ;')
            lines.append("")
            identifier += 1
    return "\n".join([*lines, *values, ""])


def _fitting(names: Sequence[str]) -> list[tuple[str, int, tuple[int, bool, float], str]]:
    """Return name, last bit + 1, way of counting and unit of signals laid end to end."""
    placed, end = [], 0
    for name in names:
        signal = find_signal(name)
        unit = "" if signal is None else signal.unit
        how = (16, False, 0.001) if cell_number(name) else _COUNTED.get(unit, _ELSE)
        if signal is not None and signal.is_switch:
            how = (8, False, 1.0)
        if len(names) > 2 and how[0] > 16:
            how = (16, True, 0.01)
        end += how[0]
        placed.append((name, end, how, unit))
    return placed


@asynccontextmanager
async def simulated_far_end(settings: Settings) -> AsyncIterator[Mapping[str, Any]]:
    """Put a simulated machine on a bus over UDP multicast that does not leave this computer; see ``far_end``."""
    clock = SystemClock()
    machine = machine_by(settings, clock)
    groups = [group.signals for group in machine.groups]
    way = OverBus("udp_multicast", UDP_CHANNEL, hop_limit=0)
    async with CanFarEnd(machine, clock, way, groups) as far_end:
        yield far_end.settings
