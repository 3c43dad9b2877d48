"""The simulated machine as a source: no hardware, real time."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import ClassVar, Literal

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import Batch
from telemetry.model.errors import Problem, did_you_mean, printable

SLICE_US = 50_000
BEHIND_US = 2_000_000
"""Later than this, the machine stood still in between: a computer that slept need not simulate its night."""
KEYS = ("scenario", "seed", "rate_hz", "truth", "fault", "bench")


class SimulatedMachineDriver:
    """Plays a scenario by the run's clock; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"

    def __init__(self, context: DriverContext) -> None:
        self.silence_s: float | None = float(context.settings.get("silence_s", 5.0))
        self._context = context

    async def open(self) -> None:
        """Nothing to open."""

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the machine's rows every 50 ms, by an absolute plan."""
        from .simulated.machine import SimulatedMachine

        settings, clock = self._context.settings, self._context.clock
        due = clock.now()
        machine = SimulatedMachine(
            settings.get("scenario", "orchard"),
            int(settings.get("seed", 1)),
            due,
            self._context.source,
            float(settings.get("rate_hz", 10.0)),
            bool(settings.get("truth", False)),
            settings.get("fault"),
            settings.get("bench"),
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
    def check(settings: Settings) -> list[Problem]:
        """Return every problem of a source's keys."""
        from .simulated.bench import BENCH_TESTS
        from .simulated.faults.catalogue import FAULTS
        from .simulated.varied import SCENARIO_NAMES

        problems = [
            Problem(printable(key), "is not a setting of this driver", f"leave it out{did_you_mean(key, KEYS)}")
            for key in settings
            if key not in (*KEYS, "silence_s")
        ]
        scenario = settings.get("scenario", "orchard")
        if not isinstance(scenario, str) or scenario not in SCENARIO_NAMES:
            what = f"there is no scenario {printable(scenario)!r}"
            problems.append(Problem("scenario", what, f"choose one of {', '.join(SCENARIO_NAMES)}"))
        fault = settings.get("fault", "healthy")
        if not isinstance(fault, str) or fault not in FAULTS:
            what = f"there is no fault {printable(fault)!r}"
            right = f"choose one of {', '.join(FAULTS)}{did_you_mean(str(fault), FAULTS)}"
            problems.append(Problem("fault", what, right))
        bench = settings.get("bench", BENCH_TESTS[0])
        if bench not in BENCH_TESTS:
            what = f"there is no test {printable(bench)!r}"
            right = f"choose one of {', '.join(BENCH_TESTS)}, or leave it out to drive"
            problems.append(Problem("bench", what, right))
        seed, rate = settings.get("seed", 1), settings.get("rate_hz", 10.0)
        if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
            problems.append(Problem("seed", "is not a whole number from 0", "write seed = 1, say"))
        if not isinstance(rate, int | float) or isinstance(rate, bool) or not 0.1 <= rate <= 20:
            problems.append(Problem("rate_hz", "is not a number from 0.1 to 20", "write rate_hz = 10, say"))
        if not isinstance(settings.get("truth", False), bool):
            problems.append(Problem("truth", "is neither true nor false", "write truth = true, or leave it out"))
        return problems

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
