"""A report as sections of labelled figures and sentences: what the text and the HTML page both print.

Everything is taken from the report (see :mod:`telemetry.report.session_model`), so that text, page and JSON cannot
differ.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from telemetry.alarms.reported import FAULT_LIMIT, reported_text
from telemetry.analysis.main_errors import MainError
from telemetry.analysis.outlook import Pace
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.session_power import AT_CONTROLLER
from telemetry.analysis.totals import Totals
from telemetry.model.time_text import clock, length
from telemetry.report.alarm_entries import AlarmEntry
from telemetry.report.event_lines import TAKEN_BACK
from telemetry.report.numbers import UNKNOWN, figure, plain, three, three_lengths
from telemetry.report.raw_text import raw_sentences
from telemetry.report.session_model import LABELS, Report
from telemetry.report.session_verdict import CAUSE_WORDS, cells_statement, returns_energy


@dataclass(frozen=True)
class Row:
    """One figure: what it is, how much, and a remark that belongs to it."""

    label: str
    value: str
    remark: str = ""


@dataclass(frozen=True)
class Section:
    """Some figures under a heading; ``charts`` names the charts that belong there."""

    title: str
    rows: tuple[Row, ...] = ()
    sentences: tuple[str, ...] = ()
    charts: tuple[str, ...] = field(default=())

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to print, charts aside."""
        return not self.rows and not self.sentences


def sections_of(report: Report) -> list[Section]:
    """Return the sections of ``report`` in the order of reading; those with nothing in them are left out."""
    made = [
        Section("In three sentences", sentences=report.verdict),
        _problems(report),
        _totals(report),
        _charge(report),
        _cells(report),
        _resistance(report),
        _phases(report),
        _work(report),
        _charging(report),
        _storage(report),
        _alarms(report),
        _unknown(report),
        Section("What limits these figures", sentences=tuple(_main_error(each) for each in report.main_errors)),
        Section("How each figure was found", sentences=tuple(_sentence(each) for each in report.methods)),
    ]
    return [section for section in made if not section.is_empty or section.charts]


def _main_error(found: MainError) -> str:
    """Return the error that counts most for one figure, and what would halve it."""
    label = LABELS[found.figure]
    whole, halved = (f"± {plain(Z90 * part)} %" for part in (found.whole_pct, found.halved_pct))
    remedy = found.remedy[:1].upper() + found.remedy[1:]
    said = f"{label[:1].upper()}{label[1:]}: mostly {found.what}. {remedy} would halve that"
    return f"{said}, and {whole} becomes {halved}."


def _problems(report: Report) -> Section:
    sentences = []
    for finding in report.findings:
        remedy = f" {_sentence(finding.remedy)}" if finding.remedy else ""
        sentences.append(f"{_sentence(finding.what)}{remedy}")
    return Section("Problems with the data", sentences=tuple(sentences))


def _sentence(text: str) -> str:
    text = text.strip()
    text = text[:1].upper() + text[1:] if _WORD.match(text) else text
    return text if not text or text[-1] in ".!?" else f"{text}."


_WORD = re.compile(r"[a-z]+[ ,:'-]")
"""What may be given a capital: no signal or setting, whose names hold underscores and points."""


def _rows(entries: Iterable[tuple[str, str, str]]) -> tuple[Row, ...]:
    """Return the rows whose value is known; the others are listed in a section of their own, with the reason."""
    return tuple(Row(label, value, remark) for label, value, remark in entries if UNKNOWN not in value)


def _totals(report: Report) -> Section:
    totals = report.totals

    def of(value: float | None, unit: str, key: str) -> str:
        return figure(value, unit, totals.uncertainty.get(key))

    share = totals.returned_share_pct
    returned = UNKNOWN if share is None else f"{share:.1f} %" if returns_energy(totals) else "no energy was returned"
    peak_at = totals.peak_power_at_s
    where = _where(report)
    return Section(
        "Energy and power",
        _rows(
            [
                ("length", length(totals.duration_s), _gaps(totals.gaps_s)),
                ("energy out", of(totals.energy_out_wh, "Wh", "energy_out_wh"), where),
                ("energy in", of(totals.energy_in_wh, "Wh", "energy_in_wh"), where),
                ("charge out", of(totals.charge_out_ah, "Ah", "charge_out_ah"), ""),
                ("charge in", of(totals.charge_in_ah, "Ah", "charge_in_ah"), ""),
                ("returned while driving", returned, "of the energy out" if returns_energy(totals) else ""),
                ("mean power", _mean_power(totals), where),
                (
                    "peak power",
                    of(totals.peak_power_w, "W", "peak_power_w"),
                    "" if peak_at is None else f"at {clock(peak_at)}",
                ),
                (
                    "offset of current sensor",
                    figure(totals.current_offset_a, "A"),
                    "subtracted from the figures above",
                ),
            ]
        ),
        charts=("power", "voltage"),
    )


def _mean_power(totals: Totals) -> str:
    mean, sigma = totals.mean_power_w, totals.uncertainty.get("mean_power_w")
    return f"{figure(-mean, 'W', sigma)} in" if mean is not None and mean < 0.0 else figure(mean, "W", sigma)


def _where(report: Report) -> str:
    """Return where energy and power were measured, where that is not at the pack."""
    return AT_CONTROLLER if report.totals.measured_at == "controller" else ""


def _gaps(gaps_s: float) -> str:
    return f"{length(gaps_s)} of it missing" if gaps_s >= 1.0 else "no gaps"


_METHODS = {
    "counted-from-full-charge": "coulomb counting from a full charge",
    "voltage-and-count": "voltage and coulomb counting",
}


def _charge(report: Report) -> Section:
    soc, capacity = report.soc, report.capacity
    method = soc.method or UNKNOWN
    return Section(
        "State of charge",
        _rows(
            [
                ("at the start", figure(soc.start_pct, "%", soc.start_uncertainty_pct), ""),
                ("at the end", figure(soc.end_pct, "%", soc.end_uncertainty_pct), ""),
                ("found by", _METHODS.get(method, method.replace("-", " ")), ""),
                (
                    "usable capacity",
                    figure(capacity.usable_ah, "Ah", capacity.uncertainty_ah),
                    capacity.basis or "",
                ),
            ]
        ),
        charts=("charge",),
    )


def _cells(report: Report) -> Section:
    cells = report.cells
    odd = [
        f"{_sentence(each.evidence)} Likely cause: {CAUSE_WORDS[each.cause]} ({100 * each.confidence:.0f} %)."
        for each in cells.odd
    ]
    rows = _rows(
        [
            ("cell voltage spread, rest", figure(cells.spread_rest_mv, "mV"), "highest less lowest cell"),
            ("cell voltage spread, load", figure(cells.spread_load_mv, "mV"), ""),
            ("cell voltage spread, full", figure(cells.spread_top_mv, "mV"), "near the end of a charge"),
            ("cell voltage spread, empty", figure(cells.spread_bottom_mv, "mV"), "near empty"),
        ]
    )
    known = "cells" not in report.unknown
    return Section(
        "Cells",
        rows,
        (_sentence(cells_statement(report)), *odd) if known else (),
        charts=("cells", "temperatures"),
    )


def _resistance(report: Report) -> Section:
    found = report.resistance
    at = [] if found.temperature_c is None else [f"{found.temperature_c:.0f} °C"]
    at += [] if found.soc_pct is None else [f"{found.soc_pct:.0f} % state of charge"]
    lag = found.cell_lag_s
    worst = sorted(found.cells, key=lambda cell: -cell.mohm)[:3]
    highest = ", ".join(f"cell {cell.cell} {plain(cell.mohm)} mΩ" for cell in worst)
    return Section(
        "Internal resistance",
        _rows(
            [
                (
                    "pack, 1 s",
                    figure(found.pack_mohm, "mΩ", found.pack_uncertainty_mohm),
                    f"at {', '.join(at)}" if at else "",
                ),
                ("pack, 10 s", figure(found.pack_10s_mohm, "mΩ", found.pack_10s_uncertainty_mohm), ""),
                ("highest cells", highest or UNKNOWN, ""),
                (
                    "delay of cell readings",
                    UNKNOWN if lag is None or lag < 0.05 else f"{lag:.1f} s",
                    "corrected for",
                ),
            ]
        ),
    )


_KINDS = {"rest": "rest", "drive": "driving", "work": "work", "charge": "charging"}


def _phases(report: Report) -> Section:
    rows = []
    where = f", {_where(report)}" if _where(report) else ""
    for kind, word in _KINDS.items():
        of_kind = [phase for phase in report.phases if phase.kind == kind]
        if not of_kind:
            continue
        energies = [phase.energy_wh for phase in of_kind if phase.energy_wh is not None]
        sign = -1.0 if kind == "charge" else 1.0
        value = length(sum(phase.end_s - phase.start_s for phase in of_kind))
        remark = ""
        if energies:
            energy = sign * sum(energies)
            value += f", {_energy(energy)} {'in' if kind == 'charge' else 'out'}"
            known_h = sum(phase.known_s for phase in of_kind) / 3600
            peaks = [sign * phase.peak_power_w for phase in of_kind if phase.peak_power_w is not None]
            if peaks and known_h > 0 and kind != "rest":
                remark = f"mean {figure(energy / known_h, 'W')}, peak {figure(max(peaks), 'W')}{where}"
        rows.append(Row(word, value, remark))
    implement = report.implement
    if implement.power_w is not None:
        alone = figure(implement.power_w, "W", implement.uncertainty_w)
        rows.append(Row("implement alone", alone, implement.basis or ""))
    return Section("What it did", tuple(rows), report.phase_notes)


def _energy(wh: float) -> str:
    return f"{wh:.0f} Wh" if abs(wh) < 100.0 and abs(wh) >= 0.5 else "0 Wh" if abs(wh) < 0.5 else figure(wh, "Wh")


_NO_PACE = Pace(Range.exactly(0.0))
"""Of which nothing that is left is known."""


def _work(report: Report) -> Section:
    work, outlook = report.work, report.outlook
    currency = work.currency or ""
    last, whole = outlook.lately or _NO_PACE, outlook.whole or _NO_PACE
    either = outlook.lately or whole
    by = "as the machine file states" if work.area_by == "stated" else ""
    where = _where(report)
    ranges = work.ranges
    return Section(
        "Work and outlook",
        _rows(
            [
                ("area covered", _ranged(work.area_ha, ranges.get("area_ha"), "ha"), by),
                ("distance", _ranged(work.distance_km, ranges.get("distance_km"), "km"), ""),
                ("energy per hectare", _ranged(work.wh_per_ha, ranges.get("wh_per_ha"), "Wh/ha"), where),
                ("energy per kilometre", _ranged(work.wh_per_km, ranges.get("wh_per_km"), "Wh/km"), where),
                ("hectares per charge", three(work.ha_per_charge, "ha"), ""),
                ("kilometres per charge", three(work.km_per_charge, "km"), ""),
                ("hours per charge", three(work.h_per_charge, "h"), ""),
                ("cost per hectare", figure(work.cost_per_ha, currency), ""),
                ("cost of this session", figure(work.cost_session, currency), ""),
                ("fuel for the same work", figure(work.fuel_l, "L"), "by your own figures"),
                ("time left", three(last.minutes_left, "min"), "at the last 10 minutes' rate"),
                ("time left", three(whole.minutes_left, "min"), "at the session's rate"),
                ("area left", three(either.ha_left, "ha"), ""),
                ("distance left", three(either.km_left, "km"), ""),
            ]
        ),
        charts=("track",),
    )


def _ranged(value: float | None, values: Range | None, unit: str) -> str:
    """Return a figure of which the report holds a range; one that was stated has none."""
    return figure(value, unit) if values is None else three(values, unit)


def _charging(report: Report) -> Section:
    charging = report.charging
    if charging is None:
        return Section("Charging")
    share = charging.charger_efficiency
    start, end = charging.start_s, charging.end_s
    charges = sum(phase.kind == "charge" for phase in report.phases)
    which = f"the largest of {charges} charges" if charges > 1 else ""
    lowest = charging.lowest_cell
    lacks = "pack still lacks" if charging.ending != "cell-stopped" else f"cell {lowest} still lacks"
    missing = charging.missing_ah
    full = missing is not None and missing.high < 0.05
    return Section(
        "Charging",
        _rows(
            [
                ("charged", UNKNOWN if start is None or end is None else f"{clock(start)} to {clock(end)}", which),
                ("constant current", _span(charging.constant_current_s), ""),
                ("constant voltage", _span(charging.constant_voltage_s), ""),
                ("energy charged", figure(charging.energy_in_wh, "Wh"), ""),
                ("charge taken", figure(charging.charge_in_ah, "Ah"), ""),
                (lacks, UNKNOWN if full else three(missing, "Ah"), ""),
                ("time to full", UNKNOWN if full else three_lengths(charging.time_to_full_h), ""),
                ("charger efficiency", three(None if share is None else share.times(100.0), "%"), "pack over wall"),
                ("balancing takes", three_lengths(charging.balancing_h), "near full, at the balance current"),
            ]
        ),
        (_sentence(charging.sentence),) if charging.sentence else (),
    )


def _span(seconds: float | None) -> str:
    return UNKNOWN if seconds is None else length(seconds) if seconds > 0.0 else "none"


def _storage(report: Report) -> Section:
    storage = report.storage
    drawn = figure(storage.standby_a, "A", storage.standby_uncertainty_a)
    by = {"seen": "measured in this session", "stated": "as the machine file states"}
    return Section(
        "Parked",
        _rows(
            [
                ("standby current", drawn, by.get(storage.standby_by or "", "")),
                ("days to empty", three(storage.days_to_empty, "days"), "from the charge at the end"),
                ("days from full to empty", three(storage.days_from_full, "days"), ""),
            ]
        ),
        tuple(_sentence(note) for note in storage.advice),
    )


def _alarms(report: Report) -> Section:
    alarms = [_alarm(alarm) for alarm in report.alarms if alarm.was_active]
    marks = [f"{clock(mark.t)} mark: {mark.text}{TAKEN_BACK if mark.taken_back else ''}" for mark in report.marks]
    raw = raw_sentences(report.raw_bytes, report.recording)
    return Section("Alarms and marks", sentences=(*alarms, *marks, *raw))


def _alarm(alarm: AlarmEntry) -> str:
    """Return what an alarm said: when, what, where, how much against which limit, since when, what to do."""
    raised, bound = ("raised", alarm.value_raised), ("limit", alarm.bound)
    known = (raised, ("worst", alarm.value_worst), ("last", alarm.value_last), bound)
    values = [f"{word} {figure(value, alarm.unit)}" for word, value in known if value is not None]
    levels = (("warn", alarm.warn_at_s), ("trip", alarm.trip_at_s))
    since = [f"{level} at {clock(at)}" for level, at in levels if at is not None]
    times = f"{', '.join(since)}; beyond it for {length(alarm.active_s)}"
    by = "Limit by" if alarm.bound is not None else "Reason"
    origin = f"{by}: {_sentence(alarm.origin)} " if alarm.origin else ""
    if alarm.reported:
        said = reported_text(alarm.reported)
        origin += f"{_sentence(said[:1].upper() + said[1:])} "
    where = f": {alarm.signal}" if alarm.limit == FAULT_LIMIT else f", {alarm.where}"
    what = f"{alarm.name[:1].upper()}{alarm.name[1:]}{where}"
    return f"{'; '.join([what, ', '.join(values), times]).replace('; ;', ';')}. {origin}Act: {alarm.do}"


def _unknown(report: Report) -> Section:
    reasons: dict[str, list[str]] = {}
    for key, reason in report.unknown.items():
        reasons.setdefault(reason, []).append(LABELS[key])
    return Section(
        "Not known, and why",
        sentences=tuple(_sentence(f"{', '.join(labels)}: {reason}") for reason, labels in reasons.items()),
    )
