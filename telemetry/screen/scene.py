"""What a view draws from: the snapshot at one moment, and what the screen itself has been told to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from telemetry.model.time_text import length
from telemetry.model.words import value_text
from telemetry.pipeline.snapshot import Reading, Snapshot
from telemetry.screen.rest import Rest, rest_of
from telemetry.screen.scales import PackScale
from telemetry.screen.settled import Phase, Settlement
from telemetry.screen.units import METRIC, Units
from telemetry.screen.words import Headline, headline


@dataclass(frozen=True)
class Scene:
    """One moment as drawn.

    Attributes:
        snapshot: all figures come from here.
        now: the run's time, int microseconds; stands still once the run has ended.
        machine_name: printable.
        run_word: how the run goes: ``recording``, ``replay``, ``not recording``.
        recorded: whether it is written to a store.
        ended: what was said when the run ended; None while it goes on.
        sound_note: a few words where alarms cannot be heard; empty otherwise.
        flash: whether an unacknowledged danger is drawn in its second form at this moment.
        scrolled: rows that a list is moved down by.
        settled: what the drive view remembers from one paint to the next.
        scale: what the machine file says of the pack.
        units: of speed, area and temperature.
        prompt: what somebody asks of the driver, in the band while no alarm needs it; None for nothing.

    """

    snapshot: Snapshot
    now: int
    machine_name: str
    run_word: str
    recorded: bool
    ended: str | None = None
    sound_note: str = ""
    flash: bool = False
    scrolled: int = 0
    settled: Settlement = field(default_factory=Settlement)
    scale: PackScale = field(default_factory=PackScale)
    units: Units = METRIC
    prompt: Headline | None = None

    @cached_property
    def phase(self) -> Phase:
        """What the machine is doing, in one of the words of the phase box."""
        return self.settled.phase(self.snapshot, self.now, self.scale.standby_a)

    @cached_property
    def rest(self) -> Rest | None:
        """The rest that goes on; None in any other phase."""
        return rest_of(self.snapshot, self.now, self.scale.standby_a) if self.phase == "AT REST" else None

    @cached_property
    def headline(self) -> Headline | None:
        """What the band says: the worst alarm that nobody has seen, else a prompt; None while all is well."""
        said = headline(self.snapshot, self.now) or self.prompt
        return None if said is None else said.in_units(self.units)

    def text(self, signal: str, unit: str, decimals: int | None = None) -> str:
        """Return the fresh value of ``signal`` with its unit, or ``--`` with the age of the stale one."""
        reading = self.snapshot.reading(signal)
        if reading is None:
            return "--"
        if reading.is_stale(self.now):
            return f"-- ({self.age(reading)})"
        return value_text(reading.value, unit, decimals)

    def age(self, reading: Reading) -> str:
        """Return how old a reading is, in words."""
        return length(reading.age_s(self.now))

    def last_value_age(self, source: str) -> str:
        """Return how long ago a row of ``source`` was measured, ``<1 s`` if just now; empty where none has been."""
        t = self.snapshot.last_rows.get(source)
        if t is None:
            return ""
        age = (self.now - t) / 1e6
        return "<1 s" if age < 1 else f"{age:.0f} s" if age < 10 else length(age)
