"""What a view draws from: the snapshot at one moment, the scale of its gauges, and what the keys have chosen."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from functools import cached_property

from telemetry.machine.sections import Machine
from telemetry.model.time_text import length
from telemetry.model.words import value_text
from telemetry.pipeline.snapshot import Reading, Snapshot
from telemetry.screen.rest import Rest, rest_of
from telemetry.screen.settled import Phase, Settlement
from telemetry.screen.theme import Light
from telemetry.screen.units import METRIC, Units
from telemetry.screen.words import Headline, headline

_BELOW_CHARGED_V = 0.05
"""A full cell at rest is at least so much below the end of its charge; common practice, from memory."""


@dataclass(frozen=True)
class PackScale:
    """The left ends of gauges; None where no machine file says them.

    Attributes:
        cells: in series.
        full_v: of a full cell at rest, V; there the gauges of a discharge begin.
        empty_v: of a cell that is nearly empty, V; there the gauges of a charge begin.
        standby_a: what the machine draws with its key on, A.

    """

    cells: int | None = None
    full_v: float | None = None
    empty_v: float | None = None
    standby_a: float = 0.0


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


@dataclass
class Shown:
    """What the keys have chosen to see.

    Attributes:
        view: digit of the view.
        chosen: what is chosen in each view.
        scrolled: rows that each view is moved down by.
        raw: whether raw lines are shown in place of the signals.
        raw_names: whether signals are named as in files.
        by_distance: whether cells are in the order of their distance to the middle cell.
        light: colours for sun or dusk.

    """

    view: str = "1"
    chosen: dict[str, Hashable] = field(default_factory=dict)
    scrolled: dict[str, int] = field(default_factory=dict)
    raw: bool = False
    raw_names: bool = False
    by_distance: bool = False
    light: Light = "sun"


def pack_scale(machine: Machine | None) -> PackScale:
    """Return the scale of a machine's pack; an empty one without a machine."""
    if machine is None:
        return PackScale()
    from telemetry.analysis.open_circuit import open_circuit_tables

    cell = machine.pack.cell
    full = float(max(open_circuit_tables(cell.name), key=lambda table: table.weight).volts_at(1.0))
    full = round(min(full, cell.charge_least_v - _BELOW_CHARGED_V), 2)
    standby = machine.vehicle.standby_current_a or 0.0
    return PackScale(machine.pack.cells_in_series, full, cell.knee_v, standby)
