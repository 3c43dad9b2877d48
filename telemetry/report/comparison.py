"""Figures of several sessions side by side, and which differences are more than their uncertainty.

A difference counts when it is more than twice its own standard deviation, taken from both figures as independent
(the usual 95 % of a normal distribution). A figure without an uncertainty is shown and never called different.
Resistances are compared only at like temperature and charge: both change them more than a season's wear does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from telemetry.analysis.capacity import UsableCapacity
from telemetry.analysis.ranges import Z90
from telemetry.machine.limits_history import LIKE_CHARGE, LIKE_TEMPERATURE_C
from telemetry.model.errors import printable
from telemetry.model.time_text import local
from telemetry.report.numbers import INTERVAL, figure

SIGNIFICANT = 2.0
_LABELS = {
    "returned while driving": "returned while driving",
    "energy a hectare": "energy per hectare",
    "energy a kilometre": "energy per kilometre",
    "hectares a charge": "hectares per charge",
    "pack resistance": "internal resistance of the pack, 1 s",
    "pack resistance, 10 s": "internal resistance of the pack, 10 s",
    "spread at rest": "cell voltage spread at rest",
    "spread under load": "cell voltage spread under load",
    "spread near the top": "cell voltage spread near full",
}
"""What the text calls a figure whose name in JSON is another."""

Report = Mapping[str, Any]


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
    why: str = ""


@dataclass(frozen=True)
class Line:
    """One figure of every session; ``differences`` holds one entry a session after the first."""

    name: str
    unit: str
    values: tuple[float | None, ...]
    uncertainties: tuple[float | None, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class _Figure:
    name: str
    unit: str
    value: Callable[[Report], float | None]
    uncertainty: Callable[[Report], float | None]
    scatter: Callable[[Report], float | None] | None = None
    """Of a resistance, the uncertainty between sessions with the same sensor: what its gain is off cancels."""


def _total(key: str, unit: str, name: str) -> _Figure:
    return _Figure(name, unit, lambda r: r["totals"][key], lambda r: r["totals"]["uncertainty"].get(key))


def _work(key: str, unit: str, name: str) -> _Figure:
    return _Figure(name, unit, lambda r: r["work"][key], lambda r: _half_range(r["work"]["ranges"].get(key)))


def _resistance(key: str, name: str) -> _Figure:
    value, uncertainty, scatter = (f"{key}{part}_mohm" for part in ("", "_uncertainty", "_scatter"))
    return _Figure(
        name,
        "mΩ",
        lambda r: r["resistance"][value],
        lambda r: r["resistance"][uncertainty],
        lambda r: r["resistance"][scatter],
    )


def _no_uncertainty(report: Report) -> None:
    """Spreads and shares come without one."""


def _half_range(values: Sequence[float | None] | None) -> float | None:
    """Return one standard deviation of a range that holds 90 %; None where it has no upper end."""
    if values is None or values[0] is None or values[2] is None:
        return None
    return (values[2] - values[0]) / 2 / Z90


_FIGURES = (
    _total("mean_power_w", "W", "mean power"),
    _total("peak_power_w", "W", "peak power"),
    _Figure("returned while driving", "%", lambda r: r["totals"]["returned_share_pct"], _no_uncertainty),
    _work("wh_per_ha", "Wh/ha", "energy a hectare"),
    _work("wh_per_km", "Wh/km", "energy a kilometre"),
    _Figure(
        "hectares a charge",
        "ha",
        lambda r: None if r["work"]["ha_per_charge"] is None else r["work"]["ha_per_charge"][1],
        lambda r: _half_range(r["work"]["ha_per_charge"]),
    ),
    _resistance("pack", "pack resistance"),
    _resistance("pack_10s", "pack resistance, 10 s"),
    _Figure("usable capacity", "Ah", lambda r: r["capacity"]["usable_ah"], lambda r: r["capacity"]["uncertainty_ah"]),
    _Figure("spread at rest", "mV", lambda r: r["cells"]["spread_rest_mv"], _no_uncertainty),
    _Figure("spread under load", "mV", lambda r: r["cells"]["spread_load_mv"], _no_uncertainty),
    _Figure("spread near the top", "mV", lambda r: r["cells"]["spread_top_mv"], _no_uncertainty),
)


def compare(reports: Sequence[Report]) -> list[Line]:
    """Return every figure that at least one of ``reports`` knows, each compared with the first report's."""
    lines = [_line(each, reports) for each in (*_FIGURES, *_cell_figures(reports))]
    return [line for line in lines if any(value is not None for value in line.values)]


def _cell_figures(reports: Sequence[Report]) -> list[_Figure]:
    """Return the resistance of each cell of which any report knows, a cell's share of its own pack's mean cell."""
    numbers = sorted({cell["cell"] for report in reports for cell in report["resistance"]["cells"]})
    return [_relative_cell(number) for number in numbers]


def _relative_cell(number: int) -> _Figure:
    def entry(report: Report) -> Mapping[str, Any] | None:
        return next((cell for cell in report["resistance"]["cells"] if cell["cell"] == number), None)

    def mean(report: Report) -> float:
        cells = report["resistance"]["cells"]
        return float(sum(cell["mohm"] for cell in cells) / len(cells))

    def value(report: Report) -> float | None:
        cell = entry(report)
        return None if cell is None else 100.0 * cell["mohm"] / mean(report)

    def uncertainty(report: Report) -> float | None:
        cell = entry(report)
        spread = None if cell is None else cell.get("uncertainty_mohm")
        return None if spread is None else 100.0 * spread / mean(report)

    return _Figure(f"cell {number}, of the mean cell's resistance", "%", value, uncertainty)


def _line(what: _Figure, reports: Sequence[Report]) -> Line:
    values = tuple(what.value(report) for report in reports)
    uncertainties = tuple(what.uncertainty(report) for report in reports)
    differences = tuple(
        _difference(what, reports[0], report, (values[0], values[i]), (uncertainties[0], uncertainties[i]))
        for i, report in enumerate(reports)
        if i > 0
    )
    return Line(what.name, what.unit, values, uncertainties, differences)


def _difference(
    what: _Figure,
    first: Report,
    other: Report,
    values: tuple[float | None, float | None],
    uncertainties: tuple[float | None, float | None],
) -> Difference:
    before, after = values
    if before is None or after is None:
        return Difference("unknown", why="one of the two sessions lacks it")
    if what.scatter is not None and (why := _unlike(first, other)) is not None:
        return Difference("not comparable", why=why)
    change = after - before
    if what.scatter is not None and first["machine"] is not None and first["machine"] == other["machine"]:
        uncertainties = what.scatter(first), what.scatter(other)
    if uncertainties[0] is None or uncertainties[1] is None:
        return Difference("unknown", change, why="no uncertainty is known for it")
    spread = math.hypot(*(u for u in uncertainties if u is not None))
    verdict = "differs" if abs(change) > SIGNIFICANT * spread else "alike"
    return Difference(verdict, change, spread)


def _unlike(first: Report, other: Report) -> str | None:
    """Return why two sessions' resistances cannot be compared, in words; None where they can."""
    one, two = first["resistance"], other["resistance"]
    for key, name, unit, most in (
        ("temperature_c", "temperature", "°C", LIKE_TEMPERATURE_C),
        ("soc_pct", "state of charge", "%", LIKE_CHARGE),
    ):
        if one.get(key) is None or two.get(key) is None:
            return f"the {name} of one is not known"
        if abs(one[key] - two[key]) > most:
            of = " of charge" if key == "soc_pct" else ""
            return f"{two[key]:.0f} {unit}{of} against {one[key]:.0f} {unit}{of}"
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
            {"recording": r["recording"], "started": r["started"], "machine": r["machine"], "frozen": _frozen(r)}
            for r in reports
        ],
        "figures": [
            {
                "figure": line.name,
                "unit": line.unit,
                "values": list(line.values),
                "uncertainties": list(line.uncertainties),
                "differences": [
                    {"verdict": d.verdict, "change": d.change, "uncertainty": d.uncertainty, "why": d.why or None}
                    for d in line.differences
                ],
            }
            for line in lines
        ],
    }


def comparison_lines(
    reports: Sequence[Report], lines: Sequence[Line], together: UsableCapacity | None = None
) -> list[str]:
    """Return the comparison for the terminal: each figure under its name, a line a session."""
    shown = [
        f"{letter}  {printable(r['recording'], 40)}  {_moment(r['started'])}"
        for letter, r in zip(_letters(reports), reports, strict=True)
    ]
    for letter, report in zip(_letters(reports), reports, strict=True):
        shown += [f"{letter}  {printable(what, 400)}" for what in _frozen(report)]
    sure: list[str] = []
    for line in lines:
        label = _LABELS.get(line.name, line.name)
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
    return [finding["what"] for finding in report.get("findings", ()) if finding["name"] == "frozen"]


def _moment(started: str | None) -> str:
    return "" if started is None else local(datetime.fromisoformat(started))


def _letters(reports: Sequence[Report]) -> list[str]:
    return [chr(ord("A") + place) if place < 26 else str(place) for place in range(len(reports))]


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
