"""A report as sections of labelled figures and sentences: what the text and the HTML page both print.

Everything is taken from the report (see :mod:`telemetry.report.session_model`), so that text, page and JSON cannot
differ.
"""

from __future__ import annotations

from telemetry.alarms.reported import FAULT_LIMIT, reported_text
from telemetry.analysis.main_errors import MainError
from telemetry.analysis.ranges import Z90
from telemetry.model.time_text import clock, length
from telemetry.model.words import capital, sentence
from telemetry.report.alarm_entries import AlarmEntry
from telemetry.report.event_lines import TAKEN_BACK
from telemetry.report.figure_sections import Section, figure_sections
from telemetry.report.numbers import figure, plain
from telemetry.report.raw_text import raw_sentences
from telemetry.report.session_model import LABELS, Report


def sections_of(report: Report) -> list[Section]:
    """Return the sections of ``report`` in the order of reading; those with nothing in them are left out."""
    made = [
        Section("In three sentences", sentences=report.verdict),
        _problems(report),
        *figure_sections(report),
        _alarms(report),
        Section("What limits these figures", sentences=tuple(_main_error(each) for each in report.main_errors)),
        Section("How each figure was found", sentences=tuple(sentence(each) for each in report.methods)),
    ]
    return [section for section in made if not section.is_empty or section.charts]


def _main_error(found: MainError) -> str:
    """Return the error that counts most for one figure, and what would halve it."""
    label = LABELS[found.figure]
    whole, halved = (f"± {plain(Z90 * part)} %" for part in (found.whole_pct, found.halved_pct))
    remedy = capital(found.remedy)
    said = f"{capital(label)}: mostly {found.what}. {remedy} would halve that"
    return f"{said}, and {whole} becomes {halved}."


def _problems(report: Report) -> Section:
    sentences = []
    for finding in report.findings:
        remedy = f" {sentence(finding.remedy)}" if finding.remedy else ""
        sentences.append(f"{sentence(finding.what)}{remedy}")
    return Section("Problems with the data", sentences=tuple(sentences))


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
    origin = f"{by}: {sentence(alarm.origin)} " if alarm.origin else ""
    if alarm.reported:
        said = reported_text(alarm.reported)
        origin += f"{sentence(capital(said))} "
    where = f": {alarm.signal}" if alarm.limit == FAULT_LIMIT else f", {alarm.where}"
    what = f"{capital(alarm.name)}{where}"
    return f"{'; '.join([what, ', '.join(values), times]).replace('; ;', ';')}. {origin}Act: {alarm.do}"
