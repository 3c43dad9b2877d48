"""Begins a run: its screen stands on the terminal before what the run needs is loaded."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from telemetry.runs.log_file import log_to_file
from telemetry.runs.options import RunOptions

if TYPE_CHECKING:
    from telemetry.screen.starting import Starting
    from telemetry.screen.terminal import TerminalScreen


@dataclass(frozen=True)
class OnScreen:
    """A screen that is on its terminal, and what shows it.

    Attributes:
        screen: it.
        starting: what it shows first; it keeps the keys pressed meanwhile.
        showing: ends with the screen.

    """

    screen: TerminalScreen
    starting: Starting
    showing: asyncio.Task[tuple[str, ...] | None]

    @property
    def broken(self) -> bool:
        """Whether it ended, and nobody left it."""
        return self.showing.done() and (self.showing.exception() is not None or bool(self.screen.return_code))

    @property
    def left(self) -> bool:
        """Whether somebody left it."""
        return self.showing.done() and not self.broken


Runs = Callable[[OnScreen | None], Awaitable[int]]
"""Runs to the end, under a screen where there is one; gives the exit status."""


def begin(machine_name: str, options: RunOptions, prepare: Callable[[], Runs]) -> int:
    """Run what ``prepare`` gives, and return the exit status.

    Args:
        machine_name: what the screen is headed by until the run is there.
        options: under a screen or not, and how it looks.
        prepare: loads and checks what the run needs; called in a thread once the screen is painted.

    Raises:
        ShakedownError: as ``prepare`` or the run raises it; the screen is gone by then.

    """
    return asyncio.run(_under_screen(machine_name, options, prepare) if options.screen else _plain(prepare))


async def _plain(prepare: Callable[[], Runs]) -> int:
    return await prepare()(None)


async def _under_screen(machine_name: str, options: RunOptions, prepare: Callable[[], Runs]) -> int:
    from telemetry.screen.starting import Starting
    from telemetry.screen.terminal import TerminalScreen
    from telemetry.screen.theme import detected_colours

    log_to_file()
    colours = detected_colours()
    starting = Starting(machine_name, colours, options.units, lambda: screen.exit())
    screen = TerminalScreen(starting, colours)
    end_well_by_signal(screen.exit)
    on = OnScreen(screen, starting, asyncio.create_task(screen.run_async(), name="screen"))
    painted = asyncio.create_task(screen.painted(), name="first frame")
    try:
        await asyncio.wait((on.showing, painted), return_when=asyncio.FIRST_COMPLETED)
        run = await asyncio.to_thread(prepare)
        return 0 if on.left else await run(on)
    finally:
        painted.cancel()
        if not on.showing.done():
            screen.exit()
        with suppress(Exception):  # told already, or it hides what ended the run
            await on.showing


def end_well_by_signal(stop: Callable[[], None]) -> None:
    """Let Ctrl-C, a closed terminal and a shutdown end the run as the operator would, with its session closed.

    What is ignored stays so: under ``nohup`` a closed terminal is meant to end nothing.
    """
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        with suppress(NotImplementedError, AttributeError):  # Windows has neither the handlers nor the last of them
            number = getattr(signal, name)
            if signal.getsignal(number) is not signal.SIG_IGN:
                asyncio.get_running_loop().add_signal_handler(number, stop)
