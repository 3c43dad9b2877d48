"""Short drives with a known fault, as recordings. The truth comes beside them and never in them.

``python -m tests.reference.drives FAULT SEED FILE.csv`` writes one.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from drivers.simulated.faults.catalogue import FAULTS, fault_of
from drivers.simulated.faults.fault import FaultEvent
from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.scenarios import Scenario
from drivers.simulated.varied import VARIED, lively, scenario_named
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values
from telemetry.model.recording import TimeBasis

SOURCE = "drive"
MOST_ATTEMPTS = 6
LEAST_M_S = 0.5
FEW = (
    "throttle_voltage",
    "controller_voltage",
    "pack_current",
    "discharge_allowed",
    "vehicle_speed",
)
"""What a modest recorder has. ``enable_voltage`` and the rest are there for who asks for them."""


@dataclass(frozen=True, eq=False)
class DriveRecording:
    """A :class:`telemetry.model.recording.Recording` in memory; times count from the start.

    Attributes:
        name: what to call it.
        batches: one a group.

    """

    name: str
    batches: tuple[Batch, ...]
    time_basis: TimeBasis = "relative"
    start: int = 0
    warnings: tuple[str, ...] = ()
    machine_text: str | None = None

    @property
    def groups(self) -> tuple[Group, ...]:
        """The groups of the batches."""
        return tuple(batch.group for batch in self.batches)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """Give everything in spans of about ``rows`` rows."""
        times = np.unique(np.concatenate([batch.t for batch in self.batches]))
        before = -(2**62)
        for end in [*times[rows - 1 : -1 : rows].tolist(), int(times[-1])]:
            pieces = []
            for batch in self.batches:
                first, last = (int(np.searchsorted(batch.t, t, side="right")) for t in (before, end))
                if last > first:
                    pieces.append(batch.rows(first, last))
            yield Span(end, tuple(pieces))
            before = end


@dataclass(frozen=True, eq=False)
class Drive:
    """One drive and the truth about it.

    Attributes:
        cause: one of ``FAULTS``.
        variant: which kind of it.
        seed: of the machine, the drive and the fault.
        scenario: the machine, with its faulty parts.
        events: what went wrong for a moment, in order of time, seconds from the start.
        t: int64 (n,), microseconds from the start, evenly spaced.
        columns: every signal that was measured, (n,) each; NaN where a slower one gave nothing new. Besides those of
            ``FEW``: ``pack_voltage``, ``charge_allowed``, ``implement_engaged``, temperatures, single cells,
            ``cell_min_voltage``, ``cell_max_voltage``, and ``enable_voltage`` where the machine has a wire on it.

    """

    cause: str
    variant: str
    seed: int
    scenario: Scenario
    events: tuple[FaultEvent, ...]
    t: Times
    columns: Mapping[str, Values]

    def recording(
        self,
        signals: Sequence[str] | None = None,
        every: Mapping[str, int] | None = None,
        late_s: Mapping[str, float] | None = None,
    ) -> DriveRecording:
        """Return the drive as a recording, its rows in groups of signals that come together.

        Args:
            signals: which of them; all by default. Those that the machine does not measure are left out.
            every: keep only every so manieth row of a signal.
            late_s: how late a signal's rows come.

        """
        groups: dict[tuple[int, float], list[str]] = {}
        for signal in signals if signals is not None else self.columns:
            if signal in self.columns:
                how = (every or {}).get(signal, 1), (late_s or {}).get(signal, 0.0)
                groups.setdefault(how, []).append(signal)
        batches = []
        for place, ((step, late), names) in enumerate(groups.items(), start=1):
            values = np.column_stack([self.columns[name] for name in names])[::step]
            t = self.t[::step] + round(late * MICROSECONDS)
            some = ~np.isnan(values).all(axis=1)
            batches.append(Batch(Group(SOURCE, f"part_{place}", tuple(names)), t[some], values[some]))
        return DriveRecording(f"{self.cause} {self.seed}", tuple(batches))

    def write_csv(self, path: Path, signals: Sequence[str] = FEW) -> None:
        """Write the drive as a recording of our own format."""
        names = [signal for signal in signals if signal in self.columns]
        seconds = self.t / MICROSECONDS
        lines = [",".join(("t", *names))]
        table = np.column_stack([self.columns[name] for name in names])
        for at, row in zip(seconds.tolist(), table.tolist(), strict=True):
            lines.append(",".join([f"{at:.3f}", *("" if value != value else f"{value:.6g}" for value in row)]))
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def faulty_drive(
    fault: str,
    seed: int,
    seconds: float = 180.0,
    rate_hz: float = 20.0,
    scenario: str | Scenario = VARIED,
    variant: str | None = None,
    must_show: bool = True,
) -> Drive:
    """Drive a machine that has ``fault``; machine, course, foot, instruments and the fault's variant by ``seed``.

    A fault that did not show in the drive, as an over-current where none flowed, is drawn anew if it ``must_show``.

    Raises:
        KeyError: there is no such fault, variant or scenario.

    """
    what = lively(scenario_named(scenario, seed) if isinstance(scenario, str) else scenario, seed)
    for attempt in range(MOST_ATTEMPTS):
        machine = SimulatedMachine(
            what, seed, 0, SOURCE, rate_hz, fault=fault_of(fault, seed, what, variant, attempt)
        )
        got = {batch.group.name: batch for batch in machine.advance_to(round(seconds * MICROSECONDS) - 1)}
        if not must_show or _shows(machine, seconds):
            break
    t = got["pack"].t
    columns: dict[str, Values] = {}
    for name in ("vehicle", "pack", "cells"):
        _take(got[name], t, columns)
    cells = np.column_stack([values for signal, values in columns.items() if signal.startswith("cell_")])
    columns["cell_min_voltage"], columns["cell_max_voltage"] = cells.min(axis=1), cells.max(axis=1)
    return Drive(fault, machine.fault.variant, seed, machine.fault.scenario, machine.fault_events, t, columns)


def _shows(machine: SimulatedMachine, seconds: float) -> bool:
    """Tell whether the drive went some way, and had as many events as its fault should make."""
    cause, variant, events = machine.fault.cause, machine.fault.variant, len(machine.fault_events)
    driven = machine.vehicle.position > LEAST_M_S * seconds or variant.endswith("for good")
    steady = cause in ("healthy", "mechanical-drag") or variant == "folds back" or variant.startswith("resists")
    # A controller that gives less at low voltage need not stop at all.
    folded = cause == "pack-weak" and machine.bus_low_s > 2.0
    return driven and (steady or folded or events >= (1 if cause == "pack-weak" or "for good" in variant else 2))


def _take(batch: Batch, t: npt.NDArray[np.int64], columns: dict[str, Values]) -> None:
    """Put the columns of ``batch`` on the times ``t``: rows in between are left out, missing ones unknown."""
    common, here, there = np.intersect1d(batch.t, t, return_indices=True)
    assert len(common)
    for place, signal in enumerate(batch.group.signals):
        column = np.full(len(t), np.nan)
        column[there] = batch.values[here, place]
        columns[signal] = column


def main(words: Sequence[str]) -> None:
    """Write one drive and, beside it, its truth as JSON."""
    if len(words) != 3 or words[0] not in FAULTS or not words[1].isdigit():
        raise SystemExit(f"usage: FAULT SEED FILE.csv, where FAULT is one of {', '.join(FAULTS)}")
    drive = faulty_drive(words[0], int(words[1]))
    path = Path(words[2])
    drive.write_csv(path, (*FEW, "pack_voltage", "cell_min_voltage", "cell_max_voltage", "enable_voltage"))
    events = [{"t": event.t, "duration": event.duration, "what": event.what} for event in drive.events]
    truth = {"cause": drive.cause, "variant": drive.variant, "events": events}
    path.with_suffix(".truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
