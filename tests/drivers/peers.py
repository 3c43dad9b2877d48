"""Simulated devices that misbehave as real ones do: silence, garbage, a frame cut off, a pulled plug.

Every peer here is one of those that ``simulate`` plays, with :class:`Unruly` in front of it; some speak what only a
test needs.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from drivers.decode.can_frames import EXTENDED
from drivers.decode.frame_encoder import encode
from drivers.links.can_bus import SendingBus
from drivers.simulated.can_peer import CanPeer
from drivers.simulated.frames_peer import FramesPeer
from drivers.simulated.modbus_peer import ModbusPeer, sunspec_registers
from drivers.simulated.peer import Peer
from drivers.simulated.position_peer import PositionPeer
from drivers.simulated.pseudo_terminal import PseudoTerminal
from drivers.simulated.text_peer import TextPeer

UNKNOWN = -(2**31)
GARBAGE_BYTES = 60


class Unruly(Peer):
    """What a test can make of any peer."""

    def __init__(self, *arguments: Any, **more: Any) -> None:
        self._silent = False
        self._garbage_until = 0
        self._noise = random.Random(0)
        super().__init__(*arguments, **more)

    @property
    def is_noisy(self) -> bool:
        return self.clock.now() < self._garbage_until

    def be_silent(self, silent: bool = True) -> None:
        """Say nothing, with the link open, or speak again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Send random bytes in place of what is due, as a loose wire or a wrong baud rate does."""
        self._garbage_until = self.clock.now() + round(seconds * 1e6)

    def cut_mid_line(self) -> None:
        """Send the first part of something, then pull the plug."""
        self.say_half()
        self.disconnect()

    def speak(self, pieces: Iterable[Any]) -> None:
        if self.is_noisy:
            self.say(self.garbage())
        elif not self._silent:
            super().speak(pieces)

    def garbage(self) -> Any:
        return self._noise.randbytes(GARBAGE_BYTES)

    def connect(self) -> Any:
        raise NotImplementedError

    def disconnect(self) -> None:
        raise NotImplementedError

    def say_half(self) -> None:
        raise NotImplementedError


class OnLine(Unruly):
    half = b""

    def connect(self) -> None:
        self.line.connect()

    def disconnect(self) -> None:
        self.line.disconnect()

    def say_half(self) -> None:
        self.line.send(self.half)


class UnrulyText(OnLine, TextPeer):
    half = b"123456,5"

    def connect(self) -> None:
        """Plug it in; it begins with its header, as a board that starts does."""
        super().connect()
        self._header_due = self.clock.now()


class UnrulyFrames(OnLine, FramesPeer):
    @property
    def half(self) -> bytes:
        whole = encode(self.map, next(iter(self.map.messages)), {})
        return whole[: len(whole) // 2]


class UnrulyPosition(OnLine, PositionPeer):
    half = b"$GPRMC,123519,A,48"


class UnrulyModbus(Unruly, ModbusPeer):
    """The pack; ``speech`` "table" holds each signal as thousandths, in two registers.

    ``refusal`` is an exception code to refuse every read with; 0 for none.
    """

    def __init__(self, machine: Any, clock: Any, speech: str = "sunspec", **more: Any) -> None:
        signals = dict.fromkeys(signal for group in machine.groups for signal in group.signals)
        self._signals = list(signals) if speech == "table" else []
        if self._signals:
            self.blocks = [(0, 2 * len(self._signals))]
        self.refusal = 0
        super().__init__(machine, clock, **more)

    @property
    def settings(self) -> dict[str, Any]:
        common = {"type": "s32", "scale": 0.001, "unknown": [UNKNOWN]}
        table = [{"address": 2 * n, "signal": signal, **common} for n, signal in enumerate(self._signals)]
        return super().settings | ({"register": table} if table else {})

    def words(self, newest: Mapping[str, float]) -> list[int]:
        if not self._signals:
            return sunspec_registers(newest)
        values = (newest.get(signal, math.nan) for signal in self._signals)
        raw = (UNKNOWN if math.isnan(value) else round(value * 1000) for value in values)
        return [half for each in raw for half in (each >> 16 & 0xFFFF, each & 0xFFFF)]

    def refresh(self, address: int, count: int, registers: list[int]) -> int:
        super().refresh(address, count, registers)
        return self.refusal

    def outgoing(self, answer: bytes) -> bytes:
        return self.garbage() if self.is_noisy else b"" if self._silent else answer

    def speak(self, pieces: Iterable[Any]) -> None:
        """Nothing but answers."""

    async def connect(self) -> None:
        await self.server.start()

    def disconnect(self) -> None:
        self.server.stop()

    def cut_mid_line(self) -> None:
        self.server.stop(b"\x00\x01\x00\x00\x00\x0b\x01\x03\x08\x00")


class SerialAdapter:
    """A serial adapter that speaks the lines python-can calls slcan; ``commands`` is all that the reader wrote."""

    def __init__(self, port: Path) -> None:
        self.commands: list[str] = []
        self._half = b""
        self.line = PseudoTerminal(port, self._heard)

    @property
    def settings(self) -> dict[str, Any]:
        reach = {"interface": "slcan", "channel": str(self.line.port), "bit_rate": 250_000}
        return reach | {"options": {"sleep_after_open": 0.0}}

    def _heard(self, data: bytes) -> None:
        *lines, self._half = (self._half + data).split(b"\r")
        self.commands += [line.decode("latin-1") for line in lines if line]

    def send(self, key: int, data: bytes) -> None:
        head = f"T{key & ~EXTENDED:08X}" if key & EXTENDED else f"t{key:03X}"
        self.line.put(f"{head}{len(data)}{data.hex().upper()}\r".encode())


class UnrulyCan(Unruly, CanPeer):
    """The devices, behind a serial adapter or on a bus of python-can's within this process."""

    def __init__(self, machine: Any, clock: Any, bus: str | None = None, rv_c: bool = False) -> None:
        super().__init__(machine, clock, rv_c)
        self._name = bus
        self.adapter = SerialAdapter(self.folder / "adapter")
        self.way = self.adapter.settings if bus is None else {"interface": "virtual", "channel": bus}

    async def begin(self, stack: Any) -> None:
        self.connect()
        stack.callback(self.disconnect)

    def connect(self) -> None:
        if self._name is None:
            self.adapter.line.connect()
            self.bus = self.adapter
        else:
            self.bus = SendingBus("virtual", self._name)

    def disconnect(self) -> None:
        if self._name is None:
            self.adapter.line.disconnect()
        elif self.bus is not None:
            self.bus.close()
        self.bus = None

    def say_half(self) -> None:
        if self._name is None:
            self.adapter.line.send(b"t30080102")

    def say(self, piece: Any) -> None:
        if isinstance(piece, bytes):
            self.adapter.line.put(piece)
        else:
            super().say(piece)

    def garbage(self) -> Any:
        noise = self._noise
        strange = (EXTENDED | 0x1ABC0000 | noise.randrange(0x10000), noise.randbytes(noise.randrange(9)))
        return super().garbage() if self._name is None else strange
