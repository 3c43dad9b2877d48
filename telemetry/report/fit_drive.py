"""What a drive measured of the figures that the fit checks judge by: current by time, power, resistance, voltage."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from telemetry.analysis.duty import PULLS_S, Duty, duty_of
from telemetry.analysis.parts_seen import PEAK_S, PULL_S, highest
from telemetry.analysis.ranges import Z90
from telemetry.analysis.series import Series
from telemetry.analysis.session_figures import SessionFigures
from telemetry.machine.fit import CHECKS, Finding, fit
from telemetry.machine.fit.findings import Verdict, amount, judged
from telemetry.machine.fit.measured import Drive, Measured, fit_drive
from telemetry.machine.fit.wires import DROP_SHARE, DROP_SOURCE
from telemetry.machine.limits_current import (
    CONNECTOR_WINDOW_S,
    FUSE_WINDOW_S,
    UNSTATED_PACK_WINDOW_S,
    discharge_parts,
)
from telemetry.machine.sections import Machine
from telemetry.model.time_text import clock, length
from telemetry.report.drive_verdict import BLOCKING, facts_of, too_little_load
from telemetry.report.fit_drive_text import drive_lines, drive_object
from telemetry.report.part_row import PartRow, with_unit
from telemetry.report.part_rows import part_rows

UNSTATED_WIRE_WINDOW_S = 300.0
"""Time constant of a cable of 35 mm², where no size is stated."""
CURRENT_CHECKS = {
    "pack": ("pack-current",),
    "wire": ("conductor-ampacity", "voltage-drop", "implement-start", "hill"),
    "fuse": ("fuse-size",),
    "connector": ("connector",),
}
"""Which checks compare the steady current with which part: each part heats with its own time constant."""
PULL_CHECKS = ("hill",)
BRAKING_CHECKS = ("regeneration",)
BRAKING_S = (1.0, 10.0)
LEAST_BRAKING_A = 1.0
"""Below this the current into the pack is the sensor's offset rather than braking."""
POWER_CHECKS = ("pack-current", "hill", "sag")
RESISTANCE_CHECKS = ("pack-current", "sag", "regeneration")
"""Not the short circuit and the inrush: they end before the second over which the resistance is measured."""
SEEN_ROWS = {
    "pack-low-voltage": "sag",
    "controller-low-voltage": "sag",
    "controller-high-voltage": "controller-maximum",
    "path": "voltage-drop",
}
"""Rows of the report that show by themselves what a check asks."""
_ONLY_MISSING = ("no-voltage", "cells-without-pack-voltage")
"""Of what blocks a report, what leaves the current right."""
SHOWN_ROWS = (*SEEN_ROWS, "sag-nearly-empty", "pack-temperature", "motor-temperature", "controller-temperature")


@dataclass(frozen=True)
class Judgement:
    """A machine judged by its file, and by a drive where there is one.

    Attributes:
        machine: as stated.
        findings: of every check.
        name: of the drive.
        drive: what it says; None where there is none.
        rows: of the report, that show it.
    """

    machine: Machine
    findings: tuple[Finding, ...]
    name: str
    drive: Drive | None
    rows: Sequence[PartRow] = ()

    @classmethod
    def of(cls, machine: Machine, figures: SessionFigures | None, name: str) -> Judgement:
        """Return the judgement of ``machine``; ``figures`` are those of the drive."""
        if figures is None:
            return cls(machine, fit(machine), name, None)
        drive, rows = drive_of(figures, machine)
        return cls(machine, fit_drive(machine, drive, CHECKS), name, drive, rows)

    def lines(self) -> list[str]:
        """Return what the drive measured, as text; empty without one."""
        return [] if self.drive is None else drive_lines(self.machine, self.name, self.drive, self.rows)

    def drive_object(self) -> dict[str, Any]:
        """Return what the drive measured, for JSON; empty without one."""
        return {} if self.drive is None else drive_object(self.machine, self.name, self.drive, self.rows)


def drive_of(figures: SessionFigures, machine: Machine) -> tuple[Drive, Sequence[PartRow]]:
    """Return what a session says of ``machine``, and the rows of the report that show it."""
    figures = replace(figures, machine=machine)  # a tried change judges the same drive by other limits
    duty, rows = duty_of(figures, machine), part_rows(figures)
    if isinstance(duty, str):
        return Drive((), (), duty), ()
    facts = facts_of(figures, rows, ())
    wrong = [what for name, what, _ in facts.evidence if name in BLOCKING and name not in _ONLY_MISSING]
    if wrong:
        return Drive((), (), f"{wrong[0][0].lower()}{wrong[0][1:].rstrip('.')}"), ()
    load_pct = _load_pct(duty, machine, facts.load_pct)
    lacking = [what for what, _ in too_little_load(facts.loaded_s, load_pct)]
    loaded = f"{length(facts.loaded_s)} under load"
    loaded += "" if load_pct is None else f"; the hardest pull reached {load_pct:.0f} % of the weakest rating"
    measured = (*_currents(duty, machine), *_pulls(duty), *_power(figures), *_resistance(figures))
    shown = [row for row in rows if row.key in SHOWN_ROWS and row.worst is not None]
    seen = [found for row in shown if row.key in SEEN_ROWS and (found := _seen(row)) is not None]
    answers = () if (drop := _voltage_drop(figures, duty, machine)) is None else (drop,)
    return Drive(measured, tuple(seen), lacking[0] if lacking else "", answers, f"{loaded}."), shown


def _load_pct(duty: Duty, machine: Machine, load_pct: float | None) -> float | None:
    """Return the hardest pull over the weakest rating, %; over the controller's where no other is stated."""
    rating = machine.vehicle.controller_current_a
    if load_pct is not None or rating is None:
        return load_pct
    return 100.0 * duty.held(PULL_S).value / rating


def _windows(machine: Machine) -> dict[str, float]:
    """Return the time constant of each part, s."""
    windows = {"pack": UNSTATED_PACK_WINDOW_S, "wire": UNSTATED_WIRE_WINDOW_S}
    windows |= {"fuse": FUSE_WINDOW_S, "connector": CONNECTOR_WINDOW_S}
    for part in discharge_parts(machine):
        windows["wire" if "conductor" in part.name else part.name] = part.window_s
    return windows


def _voltage_drop(figures: SessionFigures, duty: Duty, machine: Machine) -> Finding | None:
    """Return what the measured resistance from pack to controller loses at steady work; None where not known."""
    ohm = figures.path.ohm
    if ohm is None:
        return None
    steady = duty.thermal(_windows(machine)["wire"]).value
    drop, nominal = steady * max(ohm.mid, 0.0), machine.pack.nominal_v
    why = (
        f"in the drive, {steady:.3g} A continuous lost {amount(drop, 'V', 2)} in the "
        f"{1000 * max(ohm.mid, 0.0):.2g} mΩ "
        f"from pack to controller and back, joints included: {100 * drop / nominal:.1f} % of {nominal:.1f} V."
    )
    verdict: Verdict = "ok" if drop <= DROP_SHARE * nominal else "caution"
    found = judged(verdict, why, DROP_SOURCE, value=drop, limit=DROP_SHARE * nominal, unit="V")
    return replace(found, check="voltage-drop")


def _currents(duty: Duty, machine: Machine) -> Iterator[Measured]:
    windows = _windows(machine)
    for kind, checks in CURRENT_CHECKS.items():
        found, window = duty.thermal(windows[kind]), windows[kind]
        value = _up(found.value, 0.1)
        words = f"{amount(value, 'A')} (thermal average over {window:.0f} s) at {clock(found.at_s)}"
        yield Measured("machine", "continuous_current_a", f"steady current, {kind}", value, words, checks)


def _pulls(duty: Duty) -> Iterator[Measured]:
    """Yield the highest current that lasted, for each of several times, and the same of braking."""
    for seconds in PULLS_S:
        found = duty.held(seconds)
        value = _up(found.value, 0.1)
        words = f"{amount(value, 'A')} for {seconds:g} s at {clock(found.at_s)}"
        if value > 0.0:
            yield Measured(
                "machine", "hill_current_a", "hard pull", value, words, PULL_CHECKS, seconds=("hill_s", seconds)
            )
    for seconds in BRAKING_S:
        found = duty.braking(seconds)
        value = _up(found.value, 0.1)
        words = f"{amount(value, 'A')} into the pack for {seconds:g} s at {clock(found.at_s)}"
        # How hard the machine can brake no load shows: it only adds to what the file says.
        if value >= LEAST_BRAKING_A:
            yield Measured(
                "machine", "braking_current_a", "braking", value, words, BRAKING_CHECKS, ("braking_s", seconds), False
            )


def _power(figures: SessionFigures) -> Iterator[Measured]:
    """Yield the highest power that lasted as long as a peak of current must."""
    flow = figures.power.power
    found = None if flow is None else highest(Series(flow.t, flow.values), figures.series.origin, PEAK_S)
    if found is None or not found.value > 0.0:
        return
    value = _up(found.value, 10.0)
    place = " at the controller" if figures.power.place == "controller" else ""
    words = f"{amount(value, 'W')}{place} for {PEAK_S:g} s at {clock(found.at_s)}"
    yield Measured("machine", "peak_power_w", "peak power", value, words, POWER_CHECKS)


def _resistance(figures: SessionFigures) -> Iterator[Measured]:
    found = figures.resistance
    if found is None or found.pack_mohm is None or found.pack_uncertainty_mohm is None:
        return
    value, off = _up(found.pack_mohm, 0.1), Z90 * found.pack_uncertainty_mohm
    at = "" if found.temperature_c is None else f" at {found.temperature_c:.0f} °C"
    words = f"{value:g} ± {off:.1g} mΩ over 1 s{at}"
    yield Measured("pack", "internal_resistance_mohm", "resistance of the pack", value, words, RESISTANCE_CHECKS)


def _seen(row: PartRow) -> Finding | None:
    """Return the finding on what the drive itself reached; None where the row has no limit."""
    if row.worst is None or row.limit is None:
        return None
    at = "" if row.at_s is None else f" at {clock(row.at_s)}"
    limit = with_unit(row.limit, row.unit)
    why = f"in the drive, {row.part}: {row.seen}{at}, limit {limit}."
    verdict = {"past": "stop", "near": "caution"}.get(row.level, "ok")
    value, bound = round(row.worst, 4), round(row.limit, 4)
    return Finding(SEEN_ROWS[row.key], verdict, value, bound, row.unit, why, row.origin)  # type: ignore[arg-type]


def _up(value: float, step: float) -> float:
    """Return ``value`` rounded up to whole steps, so that rounding makes nothing milder."""
    return round(math.ceil(value / step - 1e-9) * step, 6)
