"""What every far end needs: the machine it plays, by its settings, and an orderly end of what it set going."""

from __future__ import annotations

import asyncio

from telemetry.driver import Settings
from telemetry.model.clock import Clock

from .machine import SimulatedMachine

DEFAULT_SCENARIO = "orchard"


def machine_by(settings: Settings, clock: Clock) -> SimulatedMachine:
    """Return the machine that begins now; ``scenario``, ``seed``, ``rate_hz`` and ``fault`` are each optional."""
    return SimulatedMachine(
        settings.get("scenario", DEFAULT_SCENARIO),
        settings.get("seed", 1),
        clock.now(),
        "simulated",
        rate_hz=settings.get("rate_hz", 10.0),
        fault=settings.get("fault"),
    )


async def cancelled(task: asyncio.Task[None]) -> None:
    """End ``task``; what it failed with before is raised."""
    task.cancel()
    await asyncio.wait([task])
    if not task.cancelled() and (error := task.exception()) is not None:
        raise error
