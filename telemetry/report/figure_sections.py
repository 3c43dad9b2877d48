"""The sections of a report that hold its figures, each from the section of the report that it is about."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.analysis.outlook import Pace
from telemetry.analysis.ranges import Range
from telemetry.analysis.session_power import AT_CONTROLLER
from telemetry.analysis.totals import Totals
from telemetry.model.time_text import clock, length
from telemetry.model.words import sentence
from telemetry.report.numbers import UNKNOWN, figure, plain, three, three_lengths
from telemetry.report.session_model import Report
from telemetry.report.session_verdict import cells_statement, returns_energy
from telemetry.report.verdict_acts import cause_words

LEAST_GAPS_S = 1.0
"""Less than so much without data in all is not worth a word. Ours."""


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
    charts: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to print, charts aside."""
        return not self.rows and not self.sentences

    @classmethod
    def of_figures(
        cls, title: str, *rows: Row, sentences: tuple[str, ...] = (), charts: tuple[str, ...] = ()
    ) -> Section:
        """Return a section of the rows whose value is known; why the others are not known is said elsewhere."""
        return cls(title, tuple(row for row in rows if UNKNOWN not in row.value), sentences, charts)


_IN_STEP_S = 0.05  # a delay below is none, as it prints
_FULL_AH = 0.05  # missing charge below which a pack is full, as it prints
_WHOLE_WH, _NO_WH = 100.0, 0.5  # energies that print without decimal places, and as none


def figure_sections(report: Report) -> tuple[Section, ...]:
    """Return the sections in the order of reading; one of which nothing is known is empty."""
    made = (_totals, _charge, _cells, _resistance, _phases, _work, _charging, _storage)
    return tuple(make(report) for make in made)


def _totals(report: Report) -> Section:
    totals = report.totals

    def of(value: float | None, unit: str, key: str) -> str:
        return figure(value, unit, totals.uncertainty.get(key))

    share = totals.returned_share_pct
    returned = UNKNOWN if share is None else f"{share:.1f} %" if returns_energy(totals) else "no energy was returned"
    peak_at = "" if totals.peak_power_at_s is None else f"at {clock(totals.peak_power_at_s)}"
    where = _where(report)
    return Section.of_figures(
        "Energy and power",
        Row("length", length(totals.duration_s), _gaps(totals.gaps_s)),
        Row("energy out", of(totals.energy_out_wh, "Wh", "energy_out_wh"), where),
        Row("energy in", of(totals.energy_in_wh, "Wh", "energy_in_wh"), where),
        Row("charge out", of(totals.charge_out_ah, "Ah", "charge_out_ah")),
        Row("charge in", of(totals.charge_in_ah, "Ah", "charge_in_ah")),
        Row("returned while driving", returned, "of the energy out" if returns_energy(totals) else ""),
        Row("mean power", _mean_power(totals), where),
        Row("peak power", of(totals.peak_power_w, "W", "peak_power_w"), peak_at),
        Row("offset of current sensor", figure(totals.current_offset_a, "A"), "subtracted from the figures above"),
        charts=("power", "voltage"),
    )


def _mean_power(totals: Totals) -> str:
    mean, sigma = totals.mean_power_w, totals.uncertainty.get("mean_power_w")
    return f"{figure(-mean, 'W', sigma)} in" if mean is not None and mean < 0.0 else figure(mean, "W", sigma)


def _where(report: Report) -> str:
    """Return where energy and power were measured, where that is not at the pack."""
    return AT_CONTROLLER if report.totals.measured_at == "controller" else ""


def _gaps(gaps_s: float) -> str:
    return f"{length(gaps_s)} of it missing" if gaps_s >= LEAST_GAPS_S else "no gaps"


_METHODS = {
    "counted-from-full-charge": "coulomb counting from a full charge",
    "voltage-and-count": "voltage and coulomb counting",
}


def _charge(report: Report) -> Section:
    soc, capacity = report.soc, report.capacity
    method = soc.method or UNKNOWN
    return Section.of_figures(
        "State of charge",
        Row("at the start", figure(soc.start_pct, "%", soc.start_uncertainty_pct)),
        Row("at the end", figure(soc.end_pct, "%", soc.end_uncertainty_pct)),
        Row("found by", _METHODS.get(method, method.replace("-", " "))),
        Row("usable capacity", figure(capacity.usable_ah, "Ah", capacity.uncertainty_ah), capacity.basis or ""),
        charts=("charge",),
    )


def _cells(report: Report) -> Section:
    cells = report.cells
    odd = [f"{sentence(each.evidence)} {sentence(cause_words(each))}" for each in cells.odd]
    known = "cells" not in report.unknown
    return Section.of_figures(
        "Cells",
        Row("cell voltage spread, rest", figure(cells.spread_rest_mv, "mV"), "highest less lowest cell"),
        Row("cell voltage spread, load", figure(cells.spread_load_mv, "mV")),
        Row("cell voltage spread, full", figure(cells.spread_top_mv, "mV"), "near the end of a charge"),
        Row("cell voltage spread, empty", figure(cells.spread_bottom_mv, "mV"), "near empty"),
        sentences=(sentence(cells_statement(report)), *odd) if known else (),
        charts=("cells", "temperatures"),
    )


def _resistance(report: Report) -> Section:
    found = report.resistance
    at = [] if found.temperature_c is None else [f"{found.temperature_c:.0f} °C"]
    at += [] if found.soc_pct is None else [f"{found.soc_pct:.0f} % state of charge"]
    where = f"at {', '.join(at)}" if at else ""
    lag = found.cell_lag_s
    delay = UNKNOWN if lag is None or lag < _IN_STEP_S else f"{lag:.1f} s"
    worst = sorted(found.cells, key=lambda cell: -cell.mohm)[:3]
    highest = ", ".join(f"cell {cell.cell} {plain(cell.mohm)} mΩ" for cell in worst)
    return Section.of_figures(
        "Internal resistance",
        Row("pack, 1 s", figure(found.pack_mohm, "mΩ", found.pack_uncertainty_mohm), where),
        Row("pack, 10 s", figure(found.pack_10s_mohm, "mΩ", found.pack_10s_uncertainty_mohm)),
        Row("highest cells", highest or UNKNOWN),
        Row("delay of cell readings", delay, "corrected for"),
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
    return f"{wh:.0f} Wh" if _NO_WH <= abs(wh) < _WHOLE_WH else "0 Wh" if abs(wh) < _NO_WH else figure(wh, "Wh")


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
    return Section.of_figures(
        "Work and outlook",
        Row("area covered", _ranged(work.area_ha, ranges.get("area_ha"), "ha"), by),
        Row("distance", _ranged(work.distance_km, ranges.get("distance_km"), "km")),
        Row("energy per hectare", _ranged(work.wh_per_ha, ranges.get("wh_per_ha"), "Wh/ha"), where),
        Row("energy per kilometre", _ranged(work.wh_per_km, ranges.get("wh_per_km"), "Wh/km"), where),
        Row("hectares per charge", three(work.ha_per_charge, "ha")),
        Row("kilometres per charge", three(work.km_per_charge, "km")),
        Row("hours per charge", three(work.h_per_charge, "h")),
        Row("cost per hectare", figure(work.cost_per_ha, currency)),
        Row("cost of this session", figure(work.cost_session, currency)),
        Row("fuel for the same work", figure(work.fuel_l, "L"), "by your own figures"),
        Row("time left", three(last.minutes_left, "min"), "at the last 10 minutes' rate"),
        Row("time left", three(whole.minutes_left, "min"), "at the session's rate"),
        Row("area left", three(either.ha_left, "ha")),
        Row("distance left", three(either.km_left, "km")),
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
    full = missing is not None and missing.high < _FULL_AH
    return Section.of_figures(
        "Charging",
        Row("charged", UNKNOWN if start is None or end is None else f"{clock(start)} to {clock(end)}", which),
        Row("constant current", _span(charging.constant_current_s)),
        Row("constant voltage", _span(charging.constant_voltage_s)),
        Row("energy charged", figure(charging.energy_in_wh, "Wh")),
        Row("charge taken", figure(charging.charge_in_ah, "Ah")),
        Row(lacks, UNKNOWN if full else three(missing, "Ah")),
        Row("time to full", UNKNOWN if full else three_lengths(charging.time_to_full_h)),
        Row("charger efficiency", three(None if share is None else share.times(100.0), "%"), "pack over wall"),
        Row("balancing takes", three_lengths(charging.balancing_h), "near full, at the balance current"),
        sentences=(sentence(charging.sentence),) if charging.sentence else (),
    )


def _span(seconds: float | None) -> str:
    return UNKNOWN if seconds is None else length(seconds) if seconds > 0.0 else "none"


def _storage(report: Report) -> Section:
    storage = report.storage
    drawn = figure(storage.standby_a, "A", storage.standby_uncertainty_a)
    by = {"seen": "measured in this session", "stated": "as the machine file states"}
    return Section.of_figures(
        "Parked",
        Row("standby current", drawn, by.get(storage.standby_by or "", "")),
        Row("days to empty", three(storage.days_to_empty, "days"), "from the charge at the end"),
        Row("days from full to empty", three(storage.days_from_full, "days")),
        sentences=tuple(sentence(note) for note in storage.advice),
    )
