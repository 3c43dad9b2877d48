"""Makes the report of a session from what its estimators found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar

from telemetry.analysis.cell_findings import CellFindings
from telemetry.analysis.load_response import REFERENCE_C
from telemetry.analysis.main_errors import main_errors
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.resistance import Resistance
from telemetry.analysis.session_figures import NO_MACHINE, SessionFigures
from telemetry.analysis.session_power import AT_CONTROLLER
from telemetry.analysis.state_of_charge import ChargeEstimate
from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import Loss, Mark
from telemetry.model.figures import shown_fields
from telemetry.report.alarm_review import AlarmReview
from telemetry.report.drive_verdict import facts_of, judge
from telemetry.report.figure_object import as_object, rounded
from telemetry.report.numbers import INTERVAL
from telemetry.report.part_rows import part_rows
from telemetry.report.session_model import Anchor, Capacity, Marked, Problem, Report, StateOfCharge, Work
from telemetry.report.session_verdict import verdict_of

_SERIES_STEP = 10 * MICROSECONDS
_PHASE_NOTES = {
    "signal": "Work is where implement_engaged was on.",
    "mark": "Work is what your marks say.",
    "load": "Work is where the load was high: no implement_engaged signal and no marks were recorded.",
}
_CHARGES = ("start_pct", "end_pct", "end_uncertainty_pct")
_PER_CHARGE = ("ha_per_charge", "km_per_charge", "h_per_charge")
_SIGN_WRONG = "the current has the wrong sign; set sign_of_current in the machine file and record again"
_WITHOUT_DIRECTION = ("duration_s", "gaps_s", "area_ha", "distance_km", "currency")

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

_Section = TypeVar("_Section", bound="DataclassInstance")


def report_of(figures: SessionFigures, review: AlarmReview | None = None, *, with_series: bool = False) -> Report:
    """Return the report.

    Args:
        figures: what the estimators made of the session.
        review: its alarms; None where no limits are known to judge it by.
        with_series: give ``soc.series`` too, a row each ten seconds.
    """
    report = Report(
        recording=figures.series.name,
        machine=None if figures.machine is None else figures.machine.name,
        started=_started(figures),
        totals=figures.totals,
        soc=_soc(figures, with_series),
        resistance=figures.resistance or Resistance(steps=None),
        cells=figures.cells or CellFindings(),
        capacity=_capacity(figures),
        phases=figures.phases.phases,
        phase_notes=() if figures.phases.work_by is None else (_PHASE_NOTES[figures.phases.work_by],),
        implement=figures.implement,
        work=_work(figures),
        charging=figures.charging,
        outlook=figures.outlook,
        storage=figures.storage,
        judged_by=None if review is None else review.judged_by,
        alarms=() if review is None else review.alarms,
        raw_bytes=() if review is None else review.raw,
        marks=tuple(
            Marked(_seconds(figures, event.t), event.text, event.by, event.taken_back)
            for event in figures.series.events
            if isinstance(event, Mark)
        ),
        values_lost=sum(each.values for each in _losses(figures)),
        findings=_findings(figures, review),
        main_errors=main_errors(figures),
        methods=_methods(figures),
        unknown=_unknown(figures),
    )
    report = rounded(_withdrawn(report) if figures.sign_is_wrong else report)
    rows = part_rows(figures)
    facts = facts_of(figures, rows, report.alarms)
    found = judge(facts)
    return replace(
        report,
        verdict=verdict_of(report),
        verdict_word=found.word,
        verdict_reason=found.reason,
        next=found.next,
        why=found.why,
        charge_only=facts.charge_only,
        parts=rounded(rows),
    )


def report_json(report: Report) -> dict[str, Any]:
    """Return ``report`` for JSON; ``charging`` is empty without a charge, ``soc.series`` there where asked for."""
    shown: dict[str, Any] = as_object(report) | {
        "charging": as_object(report.charging) or {},
        "unknown": dict(report.unknown),
    }
    if report.soc.series is None:
        del shown["soc"]["series"]
    return shown


def _started(figures: SessionFigures) -> str | None:
    if figures.series.time_basis != "absolute":
        return None
    moment = datetime.fromtimestamp(figures.series.start / MICROSECONDS, UTC)
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def _soc(figures: SessionFigures, with_series: bool) -> StateOfCharge:
    charge = figures.charge
    if charge is None:
        return StateOfCharge(series=())
    anchors = (Anchor(a.kind, _seconds(figures, a.t), a.pct, a.uncertainty_pct, a.why) for a in charge.anchors)
    return StateOfCharge(
        charge.start_pct,
        charge.end_pct,
        charge.end_uncertainty_pct,
        float(charge.high90[0] - charge.low90[0]) / (2 * Z90) if len(charge.t) else None,
        charge.method,
        tuple(anchors),
        _series(figures, charge) if with_series else None,
    )


def _series(figures: SessionFigures, charge: ChargeEstimate) -> tuple[tuple[float, ...], ...]:
    rows, next_t = [], None
    for t, *estimate in zip(charge.t.tolist(), charge.pct, charge.low90, charge.high90, strict=True):
        if next_t is None or t >= next_t:
            rows.append((_seconds(figures, t), *estimate))
            next_t = t + _SERIES_STEP - MICROSECONDS // 2
    return tuple(rows)


def _capacity(figures: SessionFigures) -> Capacity:
    found = figures.capacity
    if found is None or found.usable_ah is None:
        return Capacity()
    return Capacity(found.usable_ah, found.uncertainty_ah, found.basis)


def _work(figures: SessionFigures) -> Work:
    work, area = figures.work.work, figures.work.area
    found = {name: getattr(work, name, None) for name in (each.name for each in fields(Work))}
    ranges = {name: each for name, each in found.items() if name not in _PER_CHARGE and isinstance(each, Range)}
    return Work(
        **{name: each.mid for name, each in ranges.items()},
        ha_per_charge=work.ha_per_charge,
        km_per_charge=work.km_per_charge,
        h_per_charge=work.h_per_charge,
        ranges=ranges,
        currency=work.currency or None,
        area_by=area.area_by,
        distance_by=area.distance_by,
        overlap_share=area.overlap_share,
    )


def _unknown(figures: SessionFigures) -> dict[str, str]:
    """Return why each figure that is not known is not, by its dotted key."""
    charge, resistance, cells, capacity = figures.charge, figures.resistance, figures.cells, figures.capacity
    offset, charging = figures.offset, figures.charging
    no_offset = {} if offset is None or offset.known else {"current_offset_a": offset.why}
    no_charge = NO_MACHINE if charge is None else charge.why
    no_capacity = NO_MACHINE if capacity is None else capacity.basis
    spreads = [f"spread_{when}_mv" for when in ("rest", "load", "top", "bottom")]
    reasons: tuple[tuple[str, Mapping[str, str]], ...] = (
        ("totals", {**figures.totals.unknown, **no_offset}),
        ("soc", {} if charge and charge.end_pct is not None else dict.fromkeys(_CHARGES, no_charge)),
        ("resistance", resistance.unknown if resistance else dict.fromkeys(("pack_mohm", "cells"), NO_MACHINE)),
        ("cells", cells.unknown if cells else dict.fromkeys(spreads, NO_MACHINE)),
        ("capacity", {} if capacity and capacity.usable_ah is not None else {"usable_ah": no_capacity}),
        ("phases", figures.phases.unknown),
        ("implement", figures.implement.unknown),
        ("work", {**figures.work.area.unknown, **figures.work.work.unknown}),
        ("charging", charging.unknown if charging else {"charging": "the pack was not charged in this session"}),
        ("outlook", figures.outlook.unknown),
        ("storage", figures.storage.unknown),
    )
    return {
        section if key == section else f"{section}.{key}": reason
        for section, found in reasons
        for key, reason in found.items()
    }


def _findings(figures: SessionFigures, review: AlarmReview | None) -> tuple[Problem, ...]:
    found = [Problem(each.name, each.sentence, each.remedy) for each in figures.evidence]
    if figures.charge is not None:
        found += [Problem("state-of-charge", sentence) for sentence in figures.charge.findings]
    if review is not None:
        found += [Problem(f"alarms-{each.what}", each.why) for each in review.findings]
    if losses := _losses(figures):
        what = f"{sum(each.values for each in losses)} values were measured and are not in the recording"
        found.append(Problem("values-lost", f"{what}; totals leave them out", losses[-1].why))
    return tuple(found)


def _losses(figures: SessionFigures) -> list[Loss]:
    return [event for event in figures.series.events if isinstance(event, Loss)]


def _methods(figures: SessionFigures) -> tuple[str, ...]:
    sentences = [
        "Charge and energy: trapezoidal sums at the readings' own times; gaps are left out (docs/figures.md).",
        INTERVAL,
    ]
    if figures.sign_is_wrong:
        return tuple(sentences)
    if figures.totals.measured_at == "controller":
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
    return tuple(sentences)


def _withdrawn(report: Report) -> Report:
    """Return the report without what has a direction: with the current's sign wrong, out and in are exchanged."""
    unknown = dict(report.unknown)

    def bare(name: str, section: _Section) -> _Section:
        """Return ``section`` without its figures, and add the reason for each."""
        known = {each.name: getattr(section, each.name) for each in shown_fields(section)}
        gone = {
            key: () if isinstance(value, tuple) and not isinstance(value, Range) else None
            for key, value in known.items()
            if key not in _WITHOUT_DIRECTION and value not in (None, (), {})
        }
        unknown.update({f"{name}.{key}": _SIGN_WRONG for key in gone})
        return replace(section, **gone)

    report = replace(
        report,
        totals=bare("totals", replace(report.totals, uncertainty={}, as_read={})),
        implement=bare("implement", report.implement),
        soc=bare("soc", report.soc),
        resistance=bare("resistance", report.resistance),
        cells=bare("cells", report.cells),
        capacity=bare("capacity", report.capacity),
        work=bare("work", replace(report.work, ranges={})),
        charging=None if report.charging is None else bare("charging", report.charging),
        outlook=bare("outlook", report.outlook),
        storage=bare("storage", report.storage),
        main_errors=(),
    )
    if report.phases:
        unknown["phases"] = _SIGN_WRONG
        report = replace(report, phases=(), phase_notes=())
    return replace(report, unknown=unknown)


def _seconds(figures: SessionFigures, t: int) -> float:
    return (t - figures.series.origin) / MICROSECONDS
