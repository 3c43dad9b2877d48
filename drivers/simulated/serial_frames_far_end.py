"""A pack that speaks in frames, played on a pseudo-terminal by a frame map: a far end for the serial-frames driver.

With a map that has requests it answers each, from the newest readings, and says nothing else; with one that has none
it sends a frame for each row by itself. On demand it misbehaves as wires and cheap electronics do.
"""

from __future__ import annotations

import asyncio
import random
import tempfile
from collections import Counter
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any, Protocol

from telemetry.driver import Settings
from telemetry.model.batch import Batch
from telemetry.model.clock import Clock, SystemClock

from ..decode.frame_encoder import encode
from ..decode.frame_layout import FrameMap, Message
from ..decode.frame_map import load_frame_map
from .pseudo_terminal import PseudoTerminal
from .serving import cancelled, machine_by

SPEAK_EVERY_US = 20_000
PLAIN_PACK = Path(__file__).parent / "plain_pack.toml"
"""The map of the pack that ``simulate`` plays; printed in docs/frame-map.md."""


class Machine(Protocol):
    """What plays: gives what became known up to a time, microseconds since the Unix epoch."""

    def advance_to(self, t: int) -> list[Batch]:
        """Return the batches of everything after the last call up to ``t``."""
        ...


class SerialFramesFarEnd:
    """The pack. Use as an async context manager; it speaks for as long as that is open.

    Args:
        machine: what it measures.
        clock: real time; the machine follows it.
        map_file: the frame map that it speaks by.
        seed: of the garbage.

    Attributes:
        received: how often each request has come.
        strange: bytes that have come and are no request.
        frames_sent: frames sent whole.

    """

    def __init__(self, machine: Machine, clock: Clock, map_file: Path = PLAIN_PACK, seed: int = 0) -> None:
        self._machine = machine
        self._clock = clock
        self._map_file = map_file
        self._map: FrameMap = load_frame_map(map_file)
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        self._newest: dict[str, float] = {}
        self._heard = b""
        self._silent = False
        self._garbage_until = 0
        self._stack = AsyncExitStack()
        self._line: PseudoTerminal
        self.received: Counter[bytes] = Counter()
        self.strange = bytearray()
        self.frames_sent = 0

    async def __aenter__(self) -> SerialFramesFarEnd:
        async with AsyncExitStack() as stack:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="shakedown-"))
            self._line = PseudoTerminal(Path(folder) / "pack", self._take)
            self._line.connect()
            stack.callback(self._line.disconnect)
            speaking = asyncio.create_task(self._speak_on(), name="simulated pack")
            stack.push_async_callback(cancelled, speaking)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self._stack.aclose()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this pack."""
        return {"port": str(self._line.port), "baud_rate": 115200, "map": str(self._map_file)}

    def connect(self) -> None:
        """Plug the pack in again."""
        self._line.connect()

    def disconnect(self) -> None:
        """Pull the plug."""
        self._line.disconnect()
        self._heard = b""

    def cut_mid_line(self) -> None:
        """Send the first part of a frame, then pull the plug."""
        whole = encode(self._map, next(iter(self._map.messages)), {})
        self._line.send(whole[: len(whole) // 2])
        self.disconnect()

    def be_silent(self, silent: bool = True) -> None:
        """Say nothing, with the link open, or speak again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Send random bytes in place of frames for a while, as a loose wire or a wrong baud rate does."""
        self._garbage_until = self._clock.now() + round(seconds * 1e6)

    async def _speak_on(self) -> None:
        due = self._clock.now()
        while True:
            due = max(due + SPEAK_EVERY_US, self._clock.now())
            await self._clock.sleep_until(due)
            now = self._clock.now()
            batches = self._machine.advance_to(now)
            frames = list(self._frames(batches))
            if now < self._garbage_until:
                self._line.put(self._random.randbytes(60))
            elif not self._silent and not self._map.requests:
                for frame in frames:
                    self.frames_sent += self._line.put(frame)

    def _frames(self, batches: Sequence[Batch]) -> Iterator[bytes]:
        """Take note of every row in time order, and give the frames that tell of it."""
        rows = [
            (t, batch.group.signals, row)
            for batch in batches
            for t, row in zip(batch.t.tolist(), batch.values.tolist(), strict=True)
        ]
        for _, signals, row in sorted(rows, key=lambda each: each[0]):
            self._newest.update(zip(signals, row, strict=True))
            for message in self._map.messages.values():
                if not set(signals).isdisjoint(message.signals):
                    yield self._frame(message)

    def _frame(self, message: Message) -> bytes:
        return encode(self._map, message.name, self._newest)

    def _take(self, data: bytes) -> None:
        """Answer each request as it has come whole."""
        self._heard += data
        while self._heard:
            request = next((r for r in self._map.requests if self._heard.startswith(r.data)), None)
            if request is not None:
                self._heard = self._heard[len(request.data) :]
                self.received[request.data] += 1
                if not self._silent and self._clock.now() >= self._garbage_until and self._newest:
                    for name in request.answers:
                        self.frames_sent += self._line.put(self._frame(self._map.messages[name]))
            elif any(r.data.startswith(self._heard) for r in self._map.requests):
                return
            else:
                self.strange += self._heard[:1]
                self._heard = self._heard[1:]


@asynccontextmanager
async def simulated_far_end(settings: Settings) -> AsyncIterator[Mapping[str, Any]]:
    """Put a simulated machine behind a pseudo-terminal, and give the settings that reach it.

    Args:
        settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

    """
    clock = SystemClock()
    machine = machine_by(settings, clock)
    async with SerialFramesFarEnd(machine, clock) as far_end:
        yield far_end.settings
