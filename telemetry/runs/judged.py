"""A session judged after the drive: its recording read, its figures found, its alarms listed, its report made."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from telemetry.alarms.faults import ChatteringRule
from telemetry.analysis.series import SessionSeries, read_series
from telemetry.analysis.session_figures import SessionFigures, figures_of
from telemetry.machine.machine_file import Machine
from telemetry.model.errors import printable
from telemetry.model.recording import Recording
from telemetry.report.alarm_review import AlarmReview, judged_anew, review_of
from telemetry.report.raw_text import KeptRaw, kept_raw
from telemetry.report.session_model import Report
from telemetry.report.session_report import report_of
from telemetry.runs.progress import Progress
from telemetry.runs.subjects import subject
from telemetry.store.reader import SessionRecord, StoreReader
from telemetry.store.stored_recording import StoredRecording


@dataclass(frozen=True)
class Judged:
    """What a session came to.

    Attributes:
        series: what was measured.
        figures: what the estimators made of it.
        report: what text, page and JSON are made from.
        warnings: what the user should know of the recording.
    """

    series: SessionSeries
    figures: SessionFigures
    report: Report
    warnings: tuple[str, ...]


def judged(
    name: str,
    store: Path,
    machine_path: Path | None = None,
    *,
    with_series: bool = False,
    wall_wh: float | None = None,
    progress: Progress | None = None,
) -> Judged:
    """Return the session or file ``name`` judged.

    Args:
        name: a file, a session's number, or ``last``.
        store: where sessions are looked up.
        machine_path: machine file to judge by; None: the one recorded with it, if there is one.
        with_series: whether the report gives the state of charge over time.
        wall_wh: energy at the wall of the session's charge by the owner's own meter, Wh.
        progress: is told how far the work has come.

    Raises:
        InputError, MachineFileError, RecordingError, StoreError: what is wrong with either, and the remedy.
    """
    recording, machine, given = subject(name, store, machine_path)
    told = Progress() if progress is None else progress
    series = read_series(told.watched(recording))
    told.at(f"finding the figures of {recording.name}")
    figures = figures_of(series, machine, wall_wh)
    told.at(f"judging {recording.name}")
    review = alarm_review(recording, store, given, machine)
    report = report_of(figures, review, with_series=with_series)
    warnings = list(recording.warnings)
    if machine is None:
        warnings.append("no machine file, so the pack cannot be judged; give one with --machine FILE")
    return Judged(series, figures, report, tuple(warnings))


def is_judged_anew(record: SessionRecord, given: Machine | None) -> bool:
    """Tell whether a stored session's alarms are found after the drive.

    So are those of an import, which no run ever judged, and of a session for which the user names a machine file.
    """
    return given is not None or record.origin == "import"


def alarm_review(
    recording: Recording,
    store: Path,
    given: Machine | None,
    machine: Machine | None,
    rule: ChatteringRule | None = None,
) -> AlarmReview | None:
    """Return the alarms of ``recording``: as raised when it was recorded, or judged again.

    Args:
        recording: a stored session or a file.
        store: where a stored session lies.
        given: the machine file that the user names to judge by; None: a stored session is not judged again.
        machine: the one to judge by where it is; None: there are no limits, and no review of a file.
        rule: what counts as chattering; None: the usual, by which a stored session was judged already.
    """
    raw: tuple[KeptRaw, ...] = ()
    if isinstance(recording, StoredRecording):
        with StoreReader.open(store) as reader:
            raw = kept_raw(*reader.raw_links(recording.session), recording.start)
            record = reader.session(recording.session)
            if rule in (None, ChatteringRule()) and not is_judged_anew(record, given):
                events, end = reader.events(record.id), record.start + round(record.duration_s * 1e6)
                by = "the limits in force when it was recorded"
                return replace(review_of(recording.name, by, events, recording.start, end), raw=raw)
    if machine is None:
        return None
    found, end = judged_anew(recording, machine, rule)
    by = f"{printable(machine.file, 60)}, judged again"
    return replace(review_of(recording.name, by, found, recording.start, end), raw=raw)
