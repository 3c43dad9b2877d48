"""The dozen figures that the first page shows, and what the drive could not show."""

from __future__ import annotations

from collections.abc import Iterable

from telemetry.model.time_text import clock, length
from telemetry.model.words import capital, sentence
from telemetry.report.figure_sections import LEAST_GAPS_S, Row, figure_sections
from telemetry.report.numbers import UNKNOWN, figure, plain, three
from telemetry.report.session_model import LABELS, Report


def key_figures(report: Report) -> list[Row]:
    """Return the figures that are known, with what belongs to each."""
    totals, soc, found, work = report.totals, report.soc, report.resistance, report.work

    def total(name: str, unit: str) -> str:
        return figure(getattr(totals, name), unit, totals.uncertainty.get(name))

    share = totals.returned_share_pct
    back = "" if share is None else f"{share:.0f} % while driving"
    worst = max(found.cells, key=lambda cell: cell.mohm, default=None)
    end = figure(soc.end_pct, "%", soc.end_uncertainty_pct)
    at_peak = totals.peak_power_at_s
    rows = (
        Row("out of the pack", total("energy_out_wh", "Wh"), total("charge_out_ah", "Ah")),
        Row("back into the pack", total("energy_in_wh", "Wh"), back),
        Row("charge at the start", figure(soc.start_pct, "%", soc.start_uncertainty_pct), f"at the end {end}"),
        Row("peak power", total("peak_power_w", "W"), "" if at_peak is None else f"at {clock(at_peak)}"),
        Row(
            "internal resistance, 10 s",
            figure(found.pack_10s_mohm, "mΩ", found.pack_10s_uncertainty_mohm),
            f"1 s: {figure(found.pack_mohm, 'mΩ', found.pack_uncertainty_mohm)}",
        ),
        Row(
            "highest cell resistance",
            UNKNOWN if worst is None else f"cell {worst.cell}: {plain(worst.mohm)} mΩ",
            f"{len(found.cells)} cells compared",
        ),
        *_work_row(report),
        Row("distance", figure(work.distance_km, "km"), figure(work.wh_per_km, "Wh/km")),
        Row("area", figure(work.area_ha, "ha"), figure(work.wh_per_ha, "Wh/ha")),
        Row("a full charge does", three(work.km_per_charge, "km"), three(work.ha_per_charge, "ha")),
        Row("it lasts", three(work.h_per_charge, "h"), "from full, at this session's rate"),
        Row("without data", length(totals.gaps_s) if totals.gaps_s >= LEAST_GAPS_S else UNKNOWN, "not in the sums"),
    )
    return [
        Row(row.label, row.value, "" if UNKNOWN in row.remark else row.remark)
        for row in rows
        if UNKNOWN not in row.value
    ]


def _work_row(report: Report) -> list[Row]:
    """Return what went on while working, else while driving, as the section on it says."""
    section = next((each for each in figure_sections(report) if each.title == "What it did"), None)
    rows = {row.label: row for row in section.rows} if section is not None else {}
    row = rows.get("work") or rows.get("driving") or rows.get("charging")
    return [] if row is None else [Row(f"while {_ING.get(row.label, row.label)}", row.value, row.remark)]


_ING = {"work": "working"}


def could_not_show(report: Report) -> list[tuple[str, str]]:
    """Return what is not known and what would show it: parts without a verdict first, then figures.

    Parts and figures that one thing would show are together; all parts, where none was judged, are "every part".
    """
    found: dict[str, list[str]] = {}
    unjudged = [row for row in report.parts if row.level == "not judged"]
    if len(unjudged) == len(report.parts) and len({row.why for row in unjudged}) == 1:
        found[unjudged[0].why] = ["every part"]
    else:
        for row in unjudged:
            found.setdefault(row.why, []).append(row.part)
    for key, why in report.unknown.items():
        found.setdefault(why, []).append(LABELS[key])
    listed = ((", ".join(names), why) for why, names in found.items())
    return [(capital(names), why) for names, why in listed]


def missing_sentences(missing: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return what :func:`could_not_show` found as sentences."""
    return tuple(sentence(f"{what}: {why}") for what, why in missing)
