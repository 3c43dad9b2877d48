"""The report of a session as one typed object: what text, page, JSON and comparison are made from.

Most sections are what an estimator returned, rounded; those that JSON has in another form are here. The fields are
the keys of JSON. Units end the names; times are seconds from the start; every uncertainty is one standard
deviation in the unit of its figure. None: not known, and ``Report.unknown`` says why by a dotted key such as
``soc.start_pct``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import ClassVar

from telemetry.analysis.cell_findings import CellFindings
from telemetry.analysis.charging import Charging
from telemetry.analysis.main_errors import MainError
from telemetry.analysis.outlook import Outlook
from telemetry.analysis.phase_implement import ImplementCost
from telemetry.analysis.phases import Phase
from telemetry.analysis.ranges import Range
from telemetry.analysis.resistance import Resistance
from telemetry.analysis.storage import Storage
from telemetry.analysis.totals import Totals
from telemetry.model.figures import HIDDEN, figure_field
from telemetry.report.alarm_entries import AlarmEntry
from telemetry.report.drive_verdict import Word
from telemetry.report.part_row import PartRow
from telemetry.report.raw_text import KeptRaw


@dataclass(frozen=True)
class Anchor:
    """A moment at which the state of charge is known by itself; ``why`` in words."""

    digits: ClassVar = 6

    kind: str
    t: float = field(metadata={"digits": 3})
    pct: float
    uncertainty_pct: float
    why: str


@dataclass(frozen=True)
class StateOfCharge:
    """State of charge, % of full.

    Attributes:
        series: rows of time, s, estimate, and the bounds of its 90 % interval, %, one each ten seconds; None where
            nobody asked for it.
    """

    digits: ClassVar = 4

    start_pct: float | None = figure_field("state of charge at the start")
    end_pct: float | None = figure_field("state of charge at the end")
    end_uncertainty_pct: float | None = figure_field("uncertainty of the state of charge at the end")
    start_uncertainty_pct: float | None = figure_field("uncertainty of the state of charge at the start", 6)
    method: str | None = figure_field("method for the state of charge")
    anchors: tuple[Anchor, ...] = figure_field("anchors of the state of charge", default=())
    series: tuple[tuple[float | None, ...], ...] | None = figure_field("state of charge over time", 3)


@dataclass(frozen=True)
class Capacity:
    """What the pack holds, and by which method that was found."""

    digits: ClassVar = 3

    usable_ah: float | None = figure_field("usable capacity")
    uncertainty_ah: float | None = figure_field("uncertainty of the usable capacity")
    basis: str | None = figure_field("method for the usable capacity")


@dataclass(frozen=True)
class Work:
    """What was done with the energy, in money and in fuel; costs in ``currency``.

    Attributes:
        ha_per_charge, km_per_charge, h_per_charge: from a full charge, 90 % intervals.
        ranges: 90 % intervals of the other figures, by their names.
        overlap_share: of the area, what was passed before, 0 to 1.
    """

    area_ha: float | None = figure_field("area covered")
    distance_km: float | None = figure_field("distance")
    wh_per_ha: float | None = figure_field("energy per hectare")
    wh_per_km: float | None = figure_field("energy per kilometre")
    ha_per_h: float | None = figure_field("hectares per hour")
    field_efficiency: float | None = figure_field("field efficiency")
    cost_per_ha: float | None = figure_field("cost per hectare")
    cost_per_km: float | None = figure_field("cost per kilometre")
    cost_session: float | None = figure_field("cost of this session")
    cost_season: float | None = figure_field("cost of the season")
    fuel_l: float | None = figure_field("fuel for the same work")
    fuel_cost: float | None = figure_field("cost of that fuel")
    fuel_cost_per_ha: float | None = figure_field("cost of that fuel per hectare")
    fuel_equivalent_l: float | None = figure_field("fuel with the same energy")
    ha_per_charge: Range | None = figure_field("hectares per charge")
    km_per_charge: Range | None = figure_field("kilometres per charge")
    h_per_charge: Range | None = figure_field("hours per charge")
    ranges: Mapping[str, Range] = field(default_factory=dict)
    currency: str | None = None
    area_by: str | None = figure_field("method for the area")
    distance_by: str | None = figure_field("method for the distance")
    overlap_share: float | None = figure_field("overlap", 4)


@dataclass(frozen=True)
class Marked:
    """A mark: when, its words, who set it, and whether it was taken back."""

    digits: ClassVar = 3

    t: float
    text: str
    by: str
    taken_back: bool


@dataclass(frozen=True)
class Problem:
    """A problem with the data: its name for scripts, what is wrong, and what to do; empty where nothing helps."""

    name: str
    what: str
    remedy: str = ""


@dataclass(frozen=True)
class Report:
    """The report.

    Attributes:
        recording, machine, started: what it is about; ``started`` in UTC, None where the times are relative.
        charging: None where the pack was not charged.
        judged_by: the limits that the alarms come from; None where there are none.
        values_lost: measured, and not in the recording.
        methods: how each figure was found, a sentence each.
        verdict: three sentences, on the drive or charge, on the pack, and on what needs attention.
        verdict_word, verdict_reason, next: the first line; ``why`` the reason in a few words.
        charge_only: the pack was charged and not driven.
        parts: each part against its limit, in the order of the table.
    """

    recording: str
    machine: str | None = None
    started: str | None = None
    totals: Totals = field(default_factory=Totals)
    soc: StateOfCharge = field(default_factory=StateOfCharge)
    resistance: Resistance = field(default_factory=Resistance)
    cells: CellFindings = field(default_factory=CellFindings)
    capacity: Capacity = field(default_factory=Capacity)
    phases: tuple[Phase, ...] = ()
    phase_notes: tuple[str, ...] = ()
    implement: ImplementCost = field(default_factory=ImplementCost)
    work: Work = field(default_factory=Work)
    charging: Charging | None = None
    outlook: Outlook = field(default_factory=Outlook)
    storage: Storage = field(default_factory=Storage)
    judged_by: str | None = None
    alarms: tuple[AlarmEntry, ...] = ()
    raw_bytes: tuple[KeptRaw, ...] = ()
    marks: tuple[Marked, ...] = ()
    values_lost: int = 0
    findings: tuple[Problem, ...] = ()
    main_errors: tuple[MainError, ...] = ()
    methods: tuple[str, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)
    verdict: tuple[str, ...] = ()
    verdict_word: Word = "NOT ENOUGH SEEN"
    verdict_reason: str = ""
    next: str = ""
    parts: tuple[PartRow, ...] = ()
    why: str = field(default="", metadata=HIDDEN)
    charge_only: bool = field(default=False, metadata=HIDDEN)


_SECTIONS = {
    "totals": Totals,
    "soc": StateOfCharge,
    "resistance": Resistance,
    "cells": CellFindings,
    "capacity": Capacity,
    "implement": ImplementCost,
    "work": Work,
    "charging": Charging,
    "outlook": Outlook,
    "storage": Storage,
}
LABELS: Mapping[str, str] = {
    f"{section}.{each.name}": each.metadata["label"]
    for section, kind in _SECTIONS.items()
    for each in fields(kind)
    if "label" in each.metadata
} | {
    "cells": "comparison of the cells",
    "cells.comparison": "comparison of the cells' charge and capacity",
    "phases": "rest, driving, work and charging",
    "phases.energy_wh": "energy of rest, driving, work and charging",
    "phases.work": "work with the implement",
    "work": "work done",
    "work.wall_wh_per_wh": "energy at the wall",
    "charging": "charging",
}
"""What people call each figure that may be unknown, by its dotted key; the keys themselves are for JSON alone."""
