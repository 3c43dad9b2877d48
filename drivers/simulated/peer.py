"""What every simulated device is made of: a machine that it measures, a clock that it speaks by, an orderly end."""

from __future__ import annotations

import asyncio
import tempfile
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any, ClassVar, Protocol, Self

from telemetry.driver import Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import Clock, SystemClock

from .machine import SimulatedMachine
from .pseudo_terminal import PseudoTerminal


class Machine(Protocol):
    """What plays: gives what became known up to a time, microseconds since the Unix epoch."""

    @property
    def groups(self) -> Sequence[Group]:
        """The groups that it gives."""
        ...

    def advance_to(self, t: int) -> list[Batch]:
        """Return the batches of everything after the last call up to ``t``."""
        ...


class Peer(ABC):
    """A simulated device behind a real link. Use as an async context manager; it speaks for as long as that is open.

    Args:
        machine: what it measures.
        clock: real time; the machine follows it.

    Attributes:
        folder: a folder of its own.

    """

    every_us: ClassVar[int] = 20_000
    """How often it looks whether there is something to say."""

    def __init__(self, machine: Machine, clock: Clock) -> None:
        self.machine = machine
        self.clock = clock
        self._stack = AsyncExitStack()
        self.folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="shakedown-")))

    async def __aenter__(self) -> Self:
        async with self._stack as stack:
            await self.begin(stack)
            speaking = asyncio.create_task(self._speak_on(), name=f"simulated {type(self).__name__}")
            stack.push_async_callback(_cancelled, speaking)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self._stack.aclose()

    @property
    @abstractmethod
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach it."""

    @abstractmethod
    async def begin(self, stack: AsyncExitStack) -> None:
        """Come into being; what ends it goes on ``stack``."""

    @abstractmethod
    def pieces(self, batches: Sequence[Batch]) -> Iterable[Any]:
        """Give what is to be said of new rows, piece by piece."""

    @abstractmethod
    def say(self, piece: Any) -> None:
        """Put one piece on the link, or drop it where nothing is plugged in."""

    def speak(self, pieces: Iterable[Any]) -> None:
        """Say what is to be said now."""
        for piece in pieces:
            self.say(piece)

    async def _speak_on(self) -> None:
        due = self.clock.now()
        while True:
            due = max(due + self.every_us, self.clock.now())
            await self.clock.sleep_until(due)
            self.speak(list(self.pieces(self.machine.advance_to(self.clock.now()))))


class SerialPeer(Peer):
    """A simulated device on a pseudo-terminal; its path stays the same when the link is dropped and comes back."""

    def __init__(self, machine: Machine, clock: Clock) -> None:
        super().__init__(machine, clock)
        self.line = PseudoTerminal(self.folder / "device", self.heard)

    async def begin(self, stack: AsyncExitStack) -> None:
        """Plug it in."""
        self.line.connect()
        stack.callback(self.line.disconnect)

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach it."""
        return {"port": str(self.line.port), "baud_rate": 115200}

    def say(self, piece: bytes) -> None:
        """Send a piece whole, or not at all."""
        self.line.put(piece)

    def heard(self, data: bytes) -> None:
        """Take what is written to it; most devices only send."""


@asynccontextmanager
async def simulated(
    make: Callable[[SimulatedMachine, Clock], Peer], settings: Settings
) -> AsyncIterator[Mapping[str, Any]]:
    """Put a simulated machine behind a link that ``make`` plays, and give the settings that reach it.

    Args:
        make: the peer.
        settings: ``scenario``, ``seed``, ``rate_hz`` and ``fault`` of the simulated machine, each optional.

    """
    clock = SystemClock()
    machine = SimulatedMachine(
        settings.get("scenario", "orchard"),
        settings.get("seed", 1),
        clock.now(),
        "simulated",
        rate_hz=settings.get("rate_hz", 10.0),
        fault=settings.get("fault"),
    )
    async with make(machine, clock) as peer:
        yield peer.settings


async def _cancelled(task: asyncio.Task[None]) -> None:
    """End ``task``; what it failed with before is raised."""
    task.cancel()
    await asyncio.wait([task])
    if not task.cancelled() and (error := task.exception()) is not None:
        raise error
