"""The simulated machine as a source: no hardware, real time."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import ClassVar, Literal

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import Batch
from telemetry.model.kinds import choice, count, number, switch
from telemetry.model.tables import Table, settings_of

from .simulated.bench import BENCH_TESTS
from .simulated.faults.catalogue import FAULTS
from .simulated.varied import SCENARIO_NAMES

SLICE_US = 50_000
BEHIND_US = 2_000_000
"""Later than this, the machine stood still in between: a computer that slept need not simulate its night."""


@dataclass(frozen=True, kw_only=True)
class SimulatedMachineSettings(Table):
    """What a ``[[source]]`` of this driver states."""

    scenario: str = choice(SCENARIO_NAMES, "what is driven or charged", "your choice", "orchard", default="orchard")
    seed: int = count(
        0, 2**53, "number that the drawn machines and all noise follow from", "your choice", 1, default=1
    )
    rate_hz: float = number(0.1, 20, "rows a second", "your choice", 10.0, default=10.0)
    fault: str | None = choice(FAULTS, "what is broken; else nothing", "your choice", "healthy")
    bench: str | None = choice(
        BENCH_TESTS, "test on the bench; else the machine drives", "your choice", BENCH_TESTS[0]
    )
    truth: bool = switch(
        "give what only the simulation can know, as extras", "your choice", example=True, default=False
    )
    silence_s: float = number(
        *(0.1, 3600, "seconds without a row after which the link counts as failed", "your choice", 5.0), default=5.0
    )


class SimulatedMachineDriver:
    """Plays a scenario by the run's clock; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"
    table: ClassVar = SimulatedMachineSettings

    def __init__(self, context: DriverContext) -> None:
        self._settings = settings_of(SimulatedMachineSettings, context.settings)
        self.silence_s: float | None = self._settings.silence_s
        self._context = context

    async def open(self) -> None:
        """Nothing to open."""

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the machine's rows every 50 ms, by an absolute plan."""
        from .simulated.machine import SimulatedMachine

        s, clock = self._settings, self._context.clock
        due = clock.now()
        machine = SimulatedMachine(
            s.scenario, s.seed, due, self._context.source, s.rate_hz, s.truth, s.fault, s.bench
        )
        while True:
            for batch in machine.advance_to(due):
                yield batch
            due += SLICE_US
            await clock.sleep_until(due)
            if (now := clock.now()) - due > BEHIND_US:
                machine.stand_still_until(now)
                due = now

    async def close(self) -> None:
        """Nothing to let go of."""

    @staticmethod
    def example(settings: Settings) -> str:
        """Return the machine file of the scenario; it watches the simulated machine itself.

        Raises:
            InputError: there is no such scenario.
        """
        from .simulated.machine_files import machine_file

        scenario, seed = str(settings.get("scenario", "orchard")), int(settings.get("seed", 1))
        text = machine_file(scenario, seed, settings.get("fault"))
        return text + f'bench = "{settings["bench"]}"\n' if "bench" in settings else text
