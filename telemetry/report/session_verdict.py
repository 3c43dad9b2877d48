"""A report in three sentences: on the drive or charge, on the pack, and on what needs attention."""

from __future__ import annotations

from telemetry.analysis.totals import LEAST_RETURNED_PCT, Totals
from telemetry.model.time_text import length
from telemetry.model.words import counted
from telemetry.report.numbers import figure
from telemetry.report.session_model import Report
from telemetry.report.verdict_acts import CAUSE_WORDS


def verdict_of(report: Report) -> tuple[str, str, str]:
    """Return the three sentences."""
    return _driven(report), _pack(report), _attention(report)


def is_charge(report: Report) -> bool:
    """Return whether the session is a charge: it charged, and more energy went in that way than came out in all."""
    charged = sum(-(phase.energy_wh or 0.0) for phase in report.phases if phase.kind == "charge")
    return charged > (report.totals.energy_out_wh or 0.0) and charged > 0.0


def returns_energy(totals: Totals) -> bool:
    """Return whether energy beyond doubt returned while driving: more than a thousandth of what went out."""
    return (totals.returned_share_pct or 0.0) >= LEAST_RETURNED_PCT


def _driven(report: Report) -> str:
    totals = report.totals
    took = length(totals.duration_s)
    out, into = totals.energy_out_wh, totals.energy_in_wh
    if out is None or into is None:
        return f"{took}; energy is not known."
    sigma = totals.uncertainty
    gave = f"{figure(out, 'Wh', sigma.get('energy_out_wh'))} out"
    if is_charge(report):
        charged = f"{figure(into, 'Wh', sigma.get('energy_in_wh'))} in"
        drove = any(phase.kind in ("drive", "work") for phase in report.phases)
        return f"{took}, a drive and a charge: {gave}, {charged}." if drove else f"{took}, a charge: {charged}."
    back = f", {totals.returned_share_pct:.1f} % of it returned by braking" if returns_energy(totals) else ""
    peak = "" if totals.peak_power_w is None else f", peak {figure(totals.peak_power_w, 'W')}"
    return f"{took}, {gave}{back}{peak}."


def _pack(report: Report) -> str:
    soc = report.soc
    if soc.end_pct is None:
        charge = "State of charge at the end not known"
    else:
        charge = f"{figure(soc.end_pct, '%', soc.end_uncertainty_pct)} charged at the end"
    return f"{charge}; {cells_statement(report)}."


def _attention(report: Report) -> str:
    raised = [alarm for alarm in report.alarms if alarm.was_active]
    parts = []
    if raised:
        names = ", ".join(dict.fromkeys(alarm.name for alarm in raised))
        parts.append(f"{counted(len(raised), 'alarm')}: {names} (see Alarms)")
    if report.findings:
        parts.append(f"{counted(len(report.findings), 'problem')} with the data (see Problems with the data)")
    if parts:
        return f"{'; '.join(parts)}."
    if report.judged_by is None:
        return "No problem with the data; there are no limits to judge it by."
    return "No alarms, and no problem with the data."


def cells_statement(report: Report) -> str:
    """Return which cells stand out, or that none does and in what they were compared, without a full stop.

    A cell that stopped the charge early counts, and so does an alarm of the cells: none of them is passed over by a
    statement that the cells are alike.
    """
    cells, charging = report.cells, report.charging
    parts = [f"cell {each.cell} stands out ({CAUSE_WORDS[each.cause]})" for each in cells.odd]
    if charging is not None and charging.false_full and charging.stopped_by_cell is not None:
        parts.append(f"cell {charging.stopped_by_cell} stopped the charge before the pack was full")
    if parts:
        return "; ".join(parts)
    if cells.compared:
        alike = f"no cell stands out in {' and '.join(cells.compared)}"
    else:
        alike = f"the cells could not be compared ({_why(report)})"
    raised = dict.fromkeys(
        alarm.name for alarm in report.alarms if alarm.was_active and alarm.limit.startswith("cell-")
    )
    return f"{alike}, but see Alarms ({', '.join(raised)})" if raised else alike


def _why(report: Report) -> str:
    unknown = report.unknown
    reasons = (unknown.get(key) for key in ("cells", "cells.comparison", "resistance.cells"))
    return next((reason for reason in reasons if reason), "this session does not show enough")
