"""Figures of several sessions side by side, and which differences are more than their uncertainty.

A difference counts when it is more than twice its own standard deviation, taken from both figures as independent
(the usual 95 % of a normal distribution). A figure without an uncertainty is shown and never called different.
Resistances are compared only at like temperature and charge: both change them more than a season's wear does.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from telemetry.analysis.capacity import UsableCapacity
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.resistance import Resistance
from telemetry.machine.limits_frame import LIKE_CHARGE, LIKE_TEMPERATURE_C
from telemetry.model.errors import printable
from telemetry.model.time_text import local
from telemetry.report.numbers import INTERVAL, figure
from telemetry.report.session_model import Report

SIGNIFICANT = 2.0
_LABELS = {
    "hectares a charge": "hectares per charge",
    "pack resistance": "internal resistance of the pack, 1 s",
    "pack resistance, 10 s": "internal resistance of the pack, 10 s",
    "spread at rest": "cell voltage spread at rest",
    "spread under load": "cell voltage spread under load",
    "spread near the top": "cell voltage spread near full",
}
"""What the text calls a figure whose name in JSON is another."""

Known = tuple[float | None, float | None]
"""A figure and one standard deviation of it; None: not known."""


@dataclass(frozen=True)
class Difference:
    """How a session's figure compares with the first session's.

    Attributes:
        verdict: ``differs``, ``alike`` (within the uncertainty), ``not comparable`` or ``unknown``.
        change: the figure less the first one's, in its unit; None where not compared.
        uncertainty: one standard deviation of ``change``; None where either figure has none.
        why: for a figure not compared, the reason.
    """

    verdict: str
    change: float | None = None
    uncertainty: float | None = None
    why: str | None = None


@dataclass(frozen=True)
class Line:
    """One figure of every session; ``differences`` holds one entry a session after the first."""

    figure: str
    unit: str
    values: tuple[float | None, ...]
    uncertainties: tuple[float | None, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class _Figure:
    name: str
    unit: str
    find: Callable[[Report], Known]
    scatter: Callable[[Report], float | None] | None = None
    """Of a resistance, the uncertainty between sessions with the same sensor: what its gain is off cancels."""


def _ranged(values: Range | None) -> Known:
    """Return the likely value and one standard deviation of a range that holds 90 %, where it has both bounds."""
    if values is None or not math.isfinite(values.mid):
        return None, None
    width = values.high - values.low
    return values.mid, width / 2 / Z90 if math.isfinite(width) else None


_FIGURES = (
    _Figure("mean power", "W", lambda r: (r.totals.mean_power_w, r.totals.uncertainty.get("mean_power_w"))),
    _Figure("peak power", "W", lambda r: (r.totals.peak_power_w, r.totals.uncertainty.get("peak_power_w"))),
    _Figure("returned while driving", "%", lambda r: (r.totals.returned_share_pct, None)),
    _Figure("energy per hectare", "Wh/ha", lambda r: _ranged(r.work.ranges.get("wh_per_ha"))),
    _Figure("energy per kilometre", "Wh/km", lambda r: _ranged(r.work.ranges.get("wh_per_km"))),
    _Figure("hectares a charge", "ha", lambda r: _ranged(r.work.ha_per_charge)),
    _Figure(
        "pack resistance",
        "mΩ",
        lambda r: (r.resistance.pack_mohm, r.resistance.pack_uncertainty_mohm),
        lambda r: r.resistance.pack_scatter_mohm,
    ),
    _Figure(
        "pack resistance, 10 s",
        "mΩ",
        lambda r: (r.resistance.pack_10s_mohm, r.resistance.pack_10s_uncertainty_mohm),
        lambda r: r.resistance.pack_10s_scatter_mohm,
    ),
    _Figure("usable capacity", "Ah", lambda r: (r.capacity.usable_ah, r.capacity.uncertainty_ah)),
    _Figure("spread at rest", "mV", lambda r: (r.cells.spread_rest_mv, None)),
    _Figure("spread under load", "mV", lambda r: (r.cells.spread_load_mv, None)),
    _Figure("spread near the top", "mV", lambda r: (r.cells.spread_top_mv, None)),
)


def compare(reports: Sequence[Report]) -> list[Line]:
    """Return every figure that at least one of ``reports`` knows, each compared with the first report's."""
    numbers = sorted({cell.cell for report in reports for cell in report.resistance.cells})
    lines = [_line(each, reports) for each in (*_FIGURES, *map(_relative_cell, numbers))]
    return [line for line in lines if any(value is not None for value in line.values)]


def _relative_cell(number: int) -> _Figure:
    """Return the resistance of a cell as a share of its own pack's mean cell."""

    def find(report: Report) -> Known:
        cells = report.resistance.cells
        cell = next((each for each in cells if each.cell == number), None)
        if cell is None:
            return None, None
        mean = sum(each.mohm for each in cells) / len(cells)
        return 100.0 * cell.mohm / mean, 100.0 * cell.uncertainty_mohm / mean

    return _Figure(f"cell {number}, of the mean cell's resistance", "%", find)


def _line(what: _Figure, reports: Sequence[Report]) -> Line:
    values, uncertainties = zip(*map(what.find, reports), strict=True)
    differences = tuple(_difference(what, reports[0], other) for other in reports[1:])
    return Line(what.name, what.unit, values, uncertainties, differences)


def _difference(what: _Figure, first: Report, other: Report) -> Difference:
    (before, before_sd), (after, after_sd) = what.find(first), what.find(other)
    if before is None or after is None:
        return Difference("unknown", why="one of the two sessions lacks it")
    change = after - before
    if what.scatter is not None:
        if (why := _unlike(first.resistance, other.resistance)) is not None:
            return Difference("not comparable", why=why)
        if first.machine is not None and first.machine == other.machine:
            before_sd, after_sd = what.scatter(first), what.scatter(other)
    if before_sd is None or after_sd is None:
        return Difference("unknown", change, why="no uncertainty is known for it")
    spread = math.hypot(before_sd, after_sd)
    verdict = "differs" if abs(change) > SIGNIFICANT * spread else "alike"
    return Difference(verdict, change, spread)


def _unlike(one: Resistance, two: Resistance) -> str | None:
    """Return why two sessions' resistances cannot be compared, in words; None where they can."""
    for name, unit, first, other, most in (
        ("temperature", "°C", one.temperature_c, two.temperature_c, LIKE_TEMPERATURE_C),
        ("state of charge", "% of charge", one.soc_pct, two.soc_pct, LIKE_CHARGE),
    ):
        if first is None or other is None:
            return f"the {name} of one is not known"
        if abs(first - other) > most:
            return f"{other:.0f} {unit} against {first:.0f} {unit}"
    return None


def comparison_object(
    reports: Sequence[Report], lines: Sequence[Line], together: UsableCapacity | None = None
) -> dict[str, Any]:
    """Return the comparison as one JSON object; ``together`` is the capacity by all sessions at once."""
    return {
        "capacity_together": None
        if together is None
        else {
            "usable_ah": together.usable_ah,
            "uncertainty_ah": together.uncertainty_ah,
            "basis": together.basis,
        },
        "sessions": [
            {"recording": r.recording, "started": r.started, "machine": r.machine, "frozen": _frozen(r)}
            for r in reports
        ],
        "figures": [asdict(line) for line in lines],
    }


def comparison_lines(
    reports: Sequence[Report], lines: Sequence[Line], together: UsableCapacity | None = None
) -> list[str]:
    """Return the comparison for the terminal: each figure under its name, a line a session."""
    shown = [
        f"{letter}  {printable(r.recording, 40)}  {_moment(r.started)}"
        for letter, r in zip(_letters(reports), reports, strict=True)
    ]
    for letter, report in zip(_letters(reports), reports, strict=True):
        shown += [f"{letter}  {printable(what, 400)}" for what in _frozen(report)]
    sure: list[str] = []
    for line in lines:
        label = _LABELS.get(line.figure, line.figure)
        shown += ["", label]
        for place, letter in enumerate(_letters(reports)):
            value = figure(line.values[place], line.unit, line.uncertainties[place])
            remark = "" if place == 0 else _remark(line.differences[place - 1], line.unit)
            shown.append(f"  {letter}  {value:<26}{remark}".rstrip())
            if place and line.differences[place - 1].verdict == "differs":
                sure.append(f"{label}, {letter} against A")
    if together is not None and together.usable_ah is not None:
        all_ah = figure(together.usable_ah, "Ah", together.uncertainty_ah)
        shown += [
            "",
            "usable capacity by all sessions together",
            f"     {all_ah}  ({printable(together.basis, 200)})",
        ]
    shown += ["", INTERVAL, _closing(sure)]
    return shown


def _frozen(report: Report) -> list[str]:
    """Return what a report says of frozen sources, whose spans no figure counts."""
    return [finding.what for finding in report.findings if finding.name == "frozen"]


def _moment(started: str | None) -> str:
    return "" if started is None else local(datetime.fromisoformat(started))


def _letters(reports: Sequence[Report]) -> list[str]:
    return [
        string.ascii_uppercase[place] if place < len(string.ascii_uppercase) else str(place)
        for place in range(len(reports))
    ]


def _remark(difference: Difference, unit: str) -> str:
    if difference.change is None:
        return f"{difference.verdict}: {difference.why}"
    change = figure(difference.change, unit, difference.uncertainty)
    change = change if change.startswith("-") else f"+{change}"
    if difference.uncertainty is None:
        return f"{change} ({difference.why})"
    return f"{change}: {'SIGNIFICANT' if difference.verdict == 'differs' else 'no significant difference'}"


def _closing(sure: Sequence[str]) -> str:
    if not sure:
        return "No significant difference between these sessions."
    return f"Significant (more than two standard deviations): {'; '.join(sure)}."
