"""What a run is about and what the user asked for."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from telemetry.driver import Feed
    from telemetry.guided.leading import Leader
    from telemetry.machine.machine_file import Machine, SourceSettings
    from telemetry.model.batch import Span
    from telemetry.model.clock import Clock
    from telemetry.model.recording import Recording
    from telemetry.pipeline.plan import Pacer, ReplayPlan
    from telemetry.screen.units import UnitsName


@dataclass(frozen=True)
class RunOptions:
    """What the user asked for, apart from what to watch or replay.

    Attributes:
        store: where to record; None for no recording (a replay without ``--record``).
        sessions: the store whose sessions the screen lists; None for none.
        screen: show the dashboard; else print events as lines.
        as_json: print events as JSON objects, one a line.
        values_every_s: print the values as JSON objects as well, so often; None for events alone.
        for_s: end by itself after so many seconds of the run's time.
        silent: no sound, and no command at an alarm.
        alarm_sound: a WAV file to play at every alarm in place of ours.
        alarm_command: a program with its arguments to run at every alarm; empty for none.
        capture: file to keep the raw bytes of the links in; None for none.
        listen: makes one more listener of the bus, from what ends the run; None for none.
        leader: leads the driver through a guided drive, under a screen; None where nothing does.
        speaks: whether what it asks is spoken, where the platform has a voice.
        units: of speed, area and temperature on the screen.
        plain_blocks: draw traces of full and half blocks only.
        on_bench: the wheels are up, so the session is kept as one of the bench and no drive.
        out: where lines go.
        notes: where warnings go.
    """

    store: Path | None = None
    sessions: Path | None = None
    screen: bool = True
    as_json: bool = False
    values_every_s: float | None = None
    for_s: float | None = None
    silent: bool = False
    alarm_sound: Path | None = None
    alarm_command: tuple[str, ...] = ()
    capture: Path | None = None
    listen: Callable[[Callable[[], None]], Callable[[Span], None]] | None = None
    leader: Leader | None = None
    speaks: bool = False
    units: UnitsName = "metric"
    plain_blocks: bool = False
    on_bench: bool = False
    out: TextIO = field(default_factory=lambda: sys.stdout)
    notes: TextIO = field(default_factory=lambda: sys.stderr)


@dataclass(frozen=True)
class Subject:
    """What a run is about: the sources, the machine they belong to, and where its time counts from."""

    clock: Clock
    pacer: Pacer
    machine: Machine | None
    machine_name: str
    drivers: tuple[tuple[SourceSettings, Feed | None], ...]
    start: int
    recording: Recording | None = None
    plan: ReplayPlan | None = None
