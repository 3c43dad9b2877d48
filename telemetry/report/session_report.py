"""The report of a session as one object: JSON as it is, and what the text and the page are made from.

Figures that are not known are None, and ``unknown`` says why, by a dotted key such as ``soc.start_pct``. JSON gives
one standard deviation; the text gives 90 % intervals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from telemetry.analysis.load_response import REFERENCE_C
from telemetry.analysis.main_errors import main_errors
from telemetry.analysis.outlook import Outlook, Pace
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.session_figures import NO_MACHINE, SessionFigures
from telemetry.analysis.session_power import AT_CONTROLLER
from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import Loss, Mark
from telemetry.report.drive_verdict import facts_of, judge
from telemetry.report.numbers import INTERVAL
from telemetry.report.part_rows import part_objects, part_rows
from telemetry.report.session_verdict import verdict_of

_TOTALS = (
    "duration_s",
    "gaps_s",
    "energy_out_wh",
    "energy_in_wh",
    "charge_out_ah",
    "charge_in_ah",
    "peak_power_w",
    "peak_power_at_s",
    "mean_power_w",
    "returned_share_pct",
    "current_offset_a",
)
_WITH_DIRECTION = (
    *("totals", "implement", "soc", "resistance", "cells", "capacity", "work", "charging", "outlook", "storage"),
)
_WORK_SCALARS = (
    *("area_ha", "distance_km", "wh_per_ha", "wh_per_km", "ha_per_h", "field_efficiency", "cost_per_ha"),
    *("cost_per_km", "cost_session", "cost_season", "fuel_l", "fuel_cost", "fuel_cost_per_ha", "fuel_equivalent_l"),
)
_WORK_RANGES = ("ha_per_charge", "km_per_charge", "h_per_charge")
_LISTS = ("anchors", "series", "cells", "odd", "compared", "advice")
_SERIES_STEP = 10 * MICROSECONDS

Report = dict[str, Any]


def report_object(
    figures: SessionFigures, alarms: Mapping[str, Any] | None = None, *, with_series: bool = False
) -> Report:
    """Return the report.

    Args:
        figures: what the estimators made of the session.
        alarms: the object of its alarms; None where no limits are known to judge it by.
        with_series: give ``soc.series`` too, a row each ten seconds.
    """
    unknown: dict[str, str] = {}
    report: Report = {
        "recording": figures.series.name,
        "machine": None if figures.machine is None else figures.machine.name,
        "started": _started(figures),
        "totals": _totals(figures, unknown),
        "soc": _soc(figures, unknown, with_series),
        "resistance": _resistance(figures, unknown),
        "cells": _cells(figures, unknown),
        "capacity": _capacity(figures, unknown),
        "phases": _phases(figures, unknown),
        "phase_notes": _phase_notes(figures),
        "implement": _implement(figures, unknown),
        "work": _work(figures, unknown),
        "charging": _charging(figures, unknown),
        "outlook": _outlook(figures.outlook, unknown),
        "storage": _storage(figures, unknown),
        "judged_by": None if alarms is None else alarms["judged_by"],
        "alarms": [] if alarms is None else alarms["alarms"],
        "raw_bytes": [] if alarms is None else alarms.get("raw_bytes", []),
        "marks": _marks(figures),
        "values_lost": sum(each.values for each in _losses(figures)),
        "findings": _findings(figures, alarms),
        "main_errors": [{key: _plain(value) for key, value in asdict(each).items()} for each in main_errors(figures)],
        "methods": _methods(figures),
        "unknown": unknown,
    }
    if figures.sign_is_wrong:
        _withdraw(report)
    report["verdict"] = verdict_of(report)
    rows = part_rows(figures)
    found = judge(facts_of(figures, rows, report["alarms"]))
    report |= {"verdict_word": found.word, "verdict_reason": found.reason, "next": found.next}
    report["parts"] = part_objects(rows)
    return report


def _started(figures: SessionFigures) -> str | None:
    if figures.series.time_basis != "absolute":
        return None
    moment = datetime.fromtimestamp(figures.series.start / MICROSECONDS, UTC)
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def _totals(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    totals = figures.totals
    _add_reasons(unknown, "totals", totals.unknown)
    if figures.offset is not None and not figures.offset.known:
        unknown["totals.current_offset_a"] = figures.offset.why
    return {key: _number(getattr(totals, key)) for key in _TOTALS} | {
        "measured_at": totals.place,
        "uncertainty": {key: _number(value) for key, value in totals.uncertainty.items()},
        "as_read": {key: _number(value) for key, value in totals.as_read.items()},
    }


def _soc(figures: SessionFigures, unknown: dict[str, str], with_series: bool) -> Report:
    charge = figures.charge
    keys = ("start_pct", "end_pct", "end_uncertainty_pct")
    if charge is None:
        _add_reasons(unknown, "soc", dict.fromkeys(keys, NO_MACHINE))
        return dict.fromkeys(keys) | {"method": None, "anchors": [], "series": []}
    if charge.end_pct is None:
        _add_reasons(unknown, "soc", dict.fromkeys(keys, charge.why))
    soc: Report = {key: _number(getattr(charge, key), 4) for key in keys}
    sigma = (charge.high90[0] - charge.low90[0]) / (2 * Z90) if len(charge.t) else None
    soc["start_uncertainty_pct"] = _number(sigma)
    soc["method"] = charge.method
    soc["anchors"] = [
        {
            "kind": a.kind,
            "t": _seconds(figures, a.t),
            "pct": a.pct,
            "uncertainty_pct": a.uncertainty_pct,
            "why": a.why,
        }
        for a in charge.anchors
    ]
    if with_series:
        soc["series"] = _series(figures)
    return soc


def _series(figures: SessionFigures) -> list[list[float | None]]:
    charge = figures.charge
    assert charge is not None
    rows, next_t = [], None
    for t, pct, low, high in zip(charge.t, charge.pct, charge.low90, charge.high90, strict=True):
        if next_t is None or t >= next_t:
            rows.append([_seconds(figures, int(t)), *(_number(float(value), 3) for value in (pct, low, high))])
            next_t = int(t) + _SERIES_STEP - MICROSECONDS // 2
    return rows


_PACK_RESISTANCE = tuple(
    f"pack{seconds}{part}_mohm" for seconds in ("", "_10s") for part in ("", "_uncertainty", "_scatter")
)


def _resistance(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    found = figures.resistance
    if found is None:
        unknown["resistance.pack_mohm"] = unknown["resistance.cells"] = NO_MACHINE
        return dict.fromkeys((*_PACK_RESISTANCE, "reference_a", "temperature_c", "cell_lag_s", "soc_pct")) | {
            "cells": []
        }
    for key, reason in found.unknown.items():
        unknown["resistance.pack_mohm" if key == "pack" else f"resistance.{key}"] = reason
    return {
        **{key: _number(getattr(found, key), 4) for key in _PACK_RESISTANCE},
        "reference_a": None if found.response is None else _number(found.response.reference_a, 2),
        "temperature_c": _number(found.temperature_c, 2),
        "cell_lag_s": _number(found.cell_lag_s, 3),
        "soc_pct": _soc_at(figures, found.at_s, found.soc_reported_pct),
        "steps": found.steps,
        "cells": [
            {
                "cell": cell.number,
                "mohm": _number(cell.mohm, 5),
                "uncertainty_mohm": _number(cell.uncertainty_mohm, 5),
                "ratio": _number(cell.ratio, 4),
                "ratio_uncertainty": _number(cell.ratio_uncertainty, 5),
            }
            for cell in found.cells
        ],
    }


def _soc_at(figures: SessionFigures, at_s: float | None, reported: float | None) -> float | None:
    """Return the charge, %, at ``at_s``: estimated where it is, else as the pack reports it."""
    charge = figures.charge
    if at_s is None or charge is None or not len(charge.t):
        return _number(reported, 2)
    t = figures.series.origin + at_s * MICROSECONDS
    nearest = int(abs(charge.t - t).argmin())
    return _number(float(charge.pct[nearest]), 2)


def _cells(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    found = figures.cells
    keys = ("spread_rest_mv", "spread_load_mv", "spread_top_mv", "spread_bottom_mv")
    if found is None:
        _add_reasons(unknown, "cells", dict.fromkeys(keys, NO_MACHINE))
        return dict.fromkeys(keys) | {"odd": [], "compared": []}
    _add_reasons(unknown, "cells", found.unknown)
    return {key: _number(getattr(found, key), 2) for key in keys} | {
        "odd": [
            {
                "cell": odd.cell,
                "cause": odd.cause,
                "confidence": _number(odd.confidence, 3),
                "evidence": odd.evidence,
                "capacity_ah": _number(odd.capacity_ah, 3),
                "capacity_uncertainty_ah": _number(odd.capacity_uncertainty_ah, 3),
            }
            for odd in found.odd
        ],
        "compared": [
            *(["internal resistance"] if figures.resistance is not None and figures.resistance.cells else []),
            *(["charge and capacity"] if found.charges else []),
        ],
    }


def _capacity(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    found = figures.capacity
    if found is None or found.usable_ah is None:
        unknown["capacity.usable_ah"] = NO_MACHINE if found is None else found.basis
        return {"usable_ah": None, "uncertainty_ah": None, "basis": None}
    return {
        "usable_ah": _number(found.usable_ah, 3),
        "uncertainty_ah": _number(found.uncertainty_ah, 3),
        "basis": found.basis,
    }


def _phases(figures: SessionFigures, unknown: dict[str, str]) -> list[Report]:
    _add_reasons(unknown, "phases", figures.phases.unknown)
    keys = (
        *("kind", "start_s", "end_s", "energy_wh", "mean_power_w", "median_power_w", "peak_power_w", "returned_wh"),
        *("charge_ah", "known_s"),
    )
    return [
        {key: _number(v, 3) if isinstance(v := getattr(phase, key), float) else v for key in keys}
        for phase in figures.phases.phases
    ]


def _phase_notes(figures: SessionFigures) -> list[str]:
    by = {
        "signal": "Work is where implement_engaged was on.",
        "mark": "Work is what your marks say.",
        "load": "Work is where the load was high: no implement_engaged signal and no marks were recorded.",
    }
    return [] if figures.phases.work_by is None else [by[figures.phases.work_by]]


def _implement(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    found = figures.implement
    if found.power_w is None:
        unknown["implement.power_w"] = found.why_unknown
    return {
        "power_w": _number(found.power_w, 1),
        "uncertainty_w": _number(found.uncertainty_w, 1),
        "basis": found.basis or None,
    }


def _work(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    work, area = figures.work.work, figures.work.area
    _add_reasons(unknown, "work", {**area.unknown, **work.unknown})
    ranges = {key: getattr(work, key) for key in (*_WORK_SCALARS, *_WORK_RANGES)}
    return (
        {key: None if ranges[key] is None else _number(ranges[key].mid) for key in _WORK_SCALARS}
        | {key: _range(ranges[key]) for key in _WORK_RANGES}
        | {
            "ranges": {key: _range(ranges[key]) for key in _WORK_SCALARS if ranges[key] is not None},
            "currency": work.currency or None,
            "area_by": area.area_by,
            "distance_by": area.distance_by,
            "overlap_share": _number(area.overlap_share, 4),
        }
    )


def _charging(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    found = figures.charging
    if found is None:
        unknown["charging"] = "the pack was not charged in this session"
        return {}
    _add_reasons(unknown, "charging", found.unknown)
    plain = {key: value for key, value in asdict(found).items() if key != "unknown"}
    return {key: _plain(getattr(found, key)) for key in plain}


def _outlook(outlook: Outlook, unknown: dict[str, str]) -> Report:
    _add_reasons(unknown, "outlook", outlook.unknown)
    return {
        "energy_left_wh": _range(outlook.energy_left_wh),
        "lately": _pace(outlook.lately),
        "whole": _pace(outlook.whole),
    }


def _pace(pace: Pace | None) -> Report | None:
    if pace is None:
        return None
    return {key: _range(getattr(pace, key)) for key in ("power_w", "minutes_left", "km_left", "ha_left")}


def _storage(figures: SessionFigures, unknown: dict[str, str]) -> Report:
    storage = figures.storage
    _add_reasons(unknown, "storage", storage.unknown)
    keys = ("standby_a", "standby_uncertainty_a", "standby_by", "days_to_empty", "days_from_full")
    return {key: _plain(getattr(storage, key)) for key in keys} | {"advice": list(storage.advice)}


def _marks(figures: SessionFigures) -> list[Report]:
    return [
        {"t": _seconds(figures, event.t), "text": event.text, "by": event.by, "taken_back": event.taken_back}
        for event in figures.series.events
        if isinstance(event, Mark)
    ]


def _findings(figures: SessionFigures, alarms: Mapping[str, Any] | None) -> list[Report]:
    found = [{"name": f.name, "what": f.sentence, "remedy": f.remedy} for f in figures.evidence]
    sentences: Sequence[str] = () if figures.charge is None else figures.charge.findings
    found += [{"name": "state-of-charge", "what": sentence, "remedy": ""} for sentence in sentences]
    for each in () if alarms is None else alarms["findings"]:
        found.append({"name": f"alarms-{each['what']}", "what": each["why"], "remedy": ""})
    if losses := _losses(figures):
        what = f"{sum(each.values for each in losses)} values were measured and are not in the recording"
        found.append({"name": "values-lost", "what": f"{what}; totals leave them out", "remedy": losses[-1].why})
    return found


def _losses(figures: SessionFigures) -> list[Loss]:
    return [event for event in figures.series.events if isinstance(event, Loss)]


def _methods(figures: SessionFigures) -> list[str]:
    sentences = [
        "Charge and energy: trapezoidal sums at the readings' own times; gaps are left out (docs/figures.md).",
        INTERVAL,
    ]
    if figures.totals.place == "controller":
        sentences.append(f"Energy and power: {AT_CONTROLLER}; pack_voltage was not recorded.")
    if figures.offset is not None and figures.offset.known:
        sentences.append(f"Offset of the current sensor: {figures.offset.why}.")
    if figures.charge is not None:
        sentences.append(f"State of charge: {figures.charge.why}.")
    if figures.resistance is not None and figures.resistance.steps:
        sentences.append(
            f"Internal resistance: voltage drop 1 s and 10 s after a step of load from rest to {REFERENCE_C:g} C, by "
            f"{figures.resistance.steps} load steps; ± includes the sensors' gain error "
            "(docs/cells-and-resistance.md)."
        )
    return sentences


def _withdraw(report: Report) -> None:
    """Withdraw whatever has a direction: with the wrong sign of the current, out and in are exchanged."""
    why = "the current has the wrong sign; set sign_of_current in the machine file and record again"
    for section in _WITH_DIRECTION:
        kept = {"duration_s", "gaps_s", "uncertainty", "as_read", "area_ha", "distance_km", "ranges", "currency"}
        for key, value in report[section].items():
            if key not in kept and value not in (None, []):
                report[section][key] = [] if key in _LISTS else None
                report["unknown"][f"{section}.{key}"] = why
    report["main_errors"] = []
    report["totals"]["uncertainty"] = {}
    report["totals"]["as_read"] = {}
    report["work"]["ranges"] = {}
    report["methods"] = report["methods"][:2]
    if report["phases"]:
        report["phases"], report["phase_notes"] = [], []
        report["unknown"]["phases"] = why


def _add_reasons(unknown: dict[str, str], section: str, reasons: Mapping[str, str]) -> None:
    for key, reason in reasons.items():
        unknown[section if key == section else f"{section}.{key}"] = reason


def _seconds(figures: SessionFigures, t: int) -> float:
    return round((t - figures.series.origin) / MICROSECONDS, 3)


def _plain(value: Any) -> Any:
    if isinstance(value, Range):
        return _range(value)
    if isinstance(value, float):
        return _number(value)
    return value


def _range(value: Range | None) -> list[float | None] | None:
    """Return [low, likely, high]; an end that has no bound is None."""
    return None if value is None else [_number(each) for each in value]


def _number(value: float | None, digits: int = 6) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits)
