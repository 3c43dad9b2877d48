"""A report as sections of labelled figures and sentences: what the text and the HTML page both print.

Everything is taken from the report object (see :mod:`telemetry.report.session_report`), so that text, page and JSON
cannot differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from telemetry.report.numbers import UNKNOWN, clock_span, figure, plain, three


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


def sections_of(report: Mapping[str, Any]) -> list[Section]:
    """Return the sections of ``report`` in the order of reading; those with nothing in them are left out."""
    made = [
        Section("In three sentences", sentences=tuple(report["verdict"])),
        _findings(report),
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
        Section("How each figure was found", sentences=tuple(report["methods"])),
    ]
    return [section for section in made if not section.is_empty or section.charts]


def _findings(report: Mapping[str, Any]) -> Section:
    told = []
    for finding in report["findings"]:
        remedy = f" {_sentence(finding['remedy'])}" if finding.get("remedy") else ""
        told.append(f"{_sentence(finding['what'])}{remedy}")
    return Section("Found", sentences=tuple(told))


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else f"{text}."


def _rows(entries: Iterable[tuple[str, str, str]]) -> tuple[Row, ...]:
    """Return the rows whose value is known; the unknown ones stand in their own section with the reason."""
    return tuple(Row(label, value, remark) for label, value, remark in entries if not value.startswith(UNKNOWN))


def _totals(report: Mapping[str, Any]) -> Section:
    totals, sure = report["totals"], report["totals"].get("uncertainty", {})

    def of(key: str, unit: str) -> str:
        return figure(totals[key], unit, sure.get(key))

    peak_at = totals["peak_power_at_s"]
    offset = totals["current_offset_a"]
    return Section(
        "Used and returned",
        _rows(
            [
                ("length", clock_span(totals["duration_s"]), _gaps(totals["gaps_s"])),
                ("energy out of the pack", of("energy_out_wh", "Wh"), ""),
                ("energy back into it", of("energy_in_wh", "Wh"), ""),
                ("charge out", of("charge_out_ah", "Ah"), ""),
                ("charge in", of("charge_in_ah", "Ah"), ""),
                ("came back while driving", figure(totals["returned_share_pct"], "%"), "of what went out"),
                ("mean power", of("mean_power_w", "W"), ""),
                ("peak power", of("peak_power_w", "W"), "" if peak_at is None else f"at {peak_at:.0f} s, as sampled"),
                ("current sensor's offset", figure(offset, "A"), "taken off the figures above"),
            ]
        ),
        charts=("power", "voltage"),
    )


def _gaps(gaps_s: float) -> str:
    return f"{clock_span(gaps_s)} of it unknown" if gaps_s >= 1.0 else "without gaps"


def _charge(report: Mapping[str, Any]) -> Section:
    soc, capacity = report["soc"], report["capacity"]
    basis = capacity.get("basis") or ""
    return Section(
        "State of charge",
        _rows(
            [
                ("at the start", figure(soc["start_pct"], "%", soc.get("start_uncertainty_pct")), ""),
                ("at the end", figure(soc["end_pct"], "%", soc["end_uncertainty_pct"]), "one standard deviation"),
                ("found by", soc["method"] or UNKNOWN, ""),
                ("usable capacity", figure(capacity["usable_ah"], "Ah", capacity["uncertainty_ah"]), basis),
            ]
        ),
        charts=("charge",),
    )


def _cells(report: Mapping[str, Any]) -> Section:
    cells = report["cells"]
    odd = [
        f"Cell {each['cell']} is odd: {each['cause']} ({100 * each['confidence']:.0f} % sure). "
        f"{_sentence(each['evidence'])}"
        for each in cells["odd"]
    ]
    return Section(
        "Cells",
        _rows(
            [
                ("spread at rest", figure(cells["spread_rest_mv"], "mV"), ""),
                ("spread under load", figure(cells["spread_load_mv"], "mV"), ""),
                ("spread near the top", figure(cells["spread_top_mv"], "mV"), ""),
            ]
        ),
        tuple(odd),
        charts=("cells", "temperatures"),
    )


def _resistance(report: Mapping[str, Any]) -> Section:
    found = report["resistance"]
    at = [] if found["temperature_c"] is None else [f"{found['temperature_c']:.0f} °C"]
    at += [] if found.get("soc_pct") is None else [f"{found['soc_pct']:.0f} % charge"]
    lag = found["cell_lag_s"]
    worst = sorted(found["cells"], key=lambda cell: -cell["mohm"])[:3]
    told = ", ".join(f"{cell['cell']}: {plain(cell['mohm'])} mΩ" for cell in worst)
    return Section(
        "Resistance",
        _rows(
            [
                (
                    "pack, over one second",
                    figure(found["pack_mohm"], "mΩ", found["pack_uncertainty_mohm"]),
                    f"at {', '.join(at)}" if at else "",
                ),
                ("highest cells", told or UNKNOWN, ""),
                ("cell readings come late by", figure(lag, "s"), "taken out"),
            ]
        ),
    )


_KINDS = {"rest": "rest", "drive": "driving", "work": "work", "charge": "charging"}


def _phases(report: Mapping[str, Any]) -> Section:
    rows = []
    for kind, word in _KINDS.items():
        of_kind = [phase for phase in report["phases"] if phase["kind"] == kind]
        if not of_kind:
            continue
        length = sum(phase["end_s"] - phase["start_s"] for phase in of_kind)
        energies = [phase["energy_wh"] for phase in of_kind if phase["energy_wh"] is not None]
        peaks = [phase["peak_power_w"] for phase in of_kind if phase["peak_power_w"] is not None]
        mean = sum(energies) / length * 3600 if energies and length > 0 else None
        remark = f"mean {figure(mean, 'W')}, peak {figure(max(peaks), 'W')}" if peaks else ""
        energy = f", {figure(sum(energies), 'Wh')}" if energies else ""
        rows.append(Row(word, f"{clock_span(length)}{energy}", remark))
    implement = report["implement"]
    if implement["power_w"] is not None:
        alone = figure(implement["power_w"], "W", implement["uncertainty_w"])
        rows.append(Row("the implement alone takes", alone, implement["basis"]))
    return Section("What it did", tuple(rows), tuple(report.get("phase_notes", ())))


def _work(report: Mapping[str, Any]) -> Section:
    work, outlook = report["work"], report["outlook"]
    currency = work.get("currency") or ""
    return Section(
        "Work and outlook",
        _rows(
            [
                ("area covered", figure(work["area_ha"], "ha"), ""),
                ("distance", figure(work["distance_km"], "km"), ""),
                ("energy a hectare", figure(work["wh_per_ha"], "Wh/ha"), ""),
                ("energy a kilometre", figure(work["wh_per_km"], "Wh/km"), ""),
                ("hectares a charge", three(work["ha_per_charge"], "ha"), ""),
                ("kilometres a charge", three(work.get("km_per_charge"), "km"), ""),
                ("hours a charge", three(work.get("h_per_charge"), "h"), ""),
                ("cost a hectare", figure(work["cost_per_ha"], currency), ""),
                ("cost of this session", figure(work.get("cost_session"), currency), ""),
                ("fuel for the same work", figure(work.get("fuel_l"), "L"), "by your own figures"),
                ("left, as lately", _left(outlook["lately"], "minutes_left", "min"), "last ten minutes' way"),
                ("left, as in all", _left(outlook["whole"], "minutes_left", "min"), "whole session's way"),
                ("area left", _left(outlook["lately"] or outlook["whole"], "ha_left", "ha"), ""),
                ("distance left", _left(outlook["lately"] or outlook["whole"], "km_left", "km"), ""),
            ]
        ),
        charts=("track",),
    )


def _left(pace: Mapping[str, Any] | None, key: str, unit: str) -> str:
    return UNKNOWN if pace is None else three(pace[key], unit)


def _charging(report: Mapping[str, Any]) -> Section:
    charging = report["charging"]
    if not charging:
        return Section("Charging")
    share = charging["charger_efficiency"]
    percent = None if share is None else [None if each is None else 100 * each for each in share]
    return Section(
        "Charging",
        _rows(
            [
                ("constant current", _span(charging["constant_current_s"]), ""),
                ("constant voltage", _span(charging["constant_voltage_s"]), ""),
                ("energy into the pack", figure(charging["energy_in_wh"], "Wh"), ""),
                ("charge into the pack", figure(charging["charge_in_ah"], "Ah"), ""),
                ("still missing", three(charging["missing_ah"], "Ah"), ""),
                ("time to full", three(charging["time_to_full_h"], "h"), ""),
                ("charger's efficiency", three(percent, "%"), "pack over wall"),
                ("balancing needs", three(charging["balancing_h"], "h"), "at the balance current"),
            ]
        ),
        (_sentence(charging["sentence"]),) if charging["sentence"] else (),
    )


def _span(seconds: float | None) -> str:
    return UNKNOWN if seconds is None else clock_span(seconds)


def _storage(report: Mapping[str, Any]) -> Section:
    storage = report["storage"]
    drawn = figure(storage["standby_a"], "A", storage["standby_uncertainty_a"])
    by = {"seen": "seen in this session", "stated": "as the machine file states"}.get(storage["standby_by"] or "", "")
    return Section(
        "Standing still",
        _rows(
            [
                ("draws while parked", drawn, by),
                ("days to empty", three(storage["days_to_empty"], "days"), "from the charge at the end"),
                ("days from full to empty", three(storage["days_from_full"], "days"), ""),
            ]
        ),
        tuple(_sentence(note) for note in storage["advice"]),
    )


def _alarms(report: Mapping[str, Any]) -> Section:
    told = []
    for alarm in report["alarms"]:
        if alarm["active_s"] == 0.0:
            continue  # quiet by design all along
        told.append(_alarm(alarm))
    marks = [f"Mark at {mark['t']:.0f} s: {mark['text']}" for mark in report["marks"]]
    return Section("Alarms and marks", sentences=(*told, *marks))


def _alarm(alarm: Mapping[str, Any]) -> str:
    """Return what an alarm said: when, what, where, how much against which limit, since when, what to do."""
    unit = alarm["unit"]
    known = [("raised", "value_raised"), ("worst", "value_worst"), ("last", "value_last"), ("limit", "bound")]
    values = [f"{word} {figure(alarm[key], unit)}" for word, key in known if alarm[key] is not None]
    since = [f"{level} at {_clock(at)}" for level in ("warn", "trip") if (at := alarm[f"{level}_at_s"]) is not None]
    times = f"{', '.join(since)}; beyond it for {clock_span(alarm['active_s'])}"
    origin = f"Limit by: {_sentence(alarm['origin'])} " if alarm["bound"] is not None and alarm["origin"] else ""
    what = f"{alarm['name'][:1].upper()}{alarm['name'][1:]}, {alarm['where']}"
    return f"{'; '.join([what, ', '.join(values), times]).replace('; ;', ';')}. {origin}Act: {alarm['do']}"


def _clock(seconds: float) -> str:
    """Return a time from the start as ``h:mm:ss``."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _unknown(report: Mapping[str, Any]) -> Section:
    reasons: dict[str, list[str]] = {}
    for key, reason in report["unknown"].items():
        reasons.setdefault(reason, []).append(key)
    return Section(
        "Unknown, and why",
        sentences=tuple(_sentence(f"{', '.join(keys)}: {reason}") for reason, keys in reasons.items()),
    )
