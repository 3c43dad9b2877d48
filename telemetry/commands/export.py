"""Write sessions and recordings to files."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, add_machine, add_store, interval, say, store_path, warn

if TYPE_CHECKING:
    from telemetry.model.recording import Recording

_MOMENT = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{2}(?:\.\d+)?)")


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    words = "write a session or recording to a file"
    parser = add(commands, "export", export, words, "shakedown export last mow.csv --every 1s")
    parser.add_argument("session", nargs="?", metavar="SESSION", help="a session's number, last, or a recording file")
    parser.add_argument(
        "out",
        nargs="?",
        type=Path,
        metavar="OUT",
        help="a file; the end of its name says the format: .csv .csv.gz .parquet .jsonl .jsonl.gz .bdf.csv"
        " .bdf.parquet .gpx .mf4 .xlsx .sqlite3; with --raw any name",
    )
    add_machine(parser, "machine file that says how to decode a device log")
    parser.add_argument("--every", type=interval, metavar="TIME", help="rows of equal intervals, such as 1s or 1min")
    parser.add_argument(
        "--signals", metavar="NAMES", help="only these, with commas between them; * stands for anything: cell_*"
    )
    parser.add_argument("--derived", action="store_true", help="with what was computed while it was recorded")
    parser.add_argument("--from", dest="begin_s", type=_moment, metavar="H:MM:SS", help="leave out what is before")
    parser.add_argument("--to", dest="stop_s", type=_moment, metavar="H:MM:SS", help="leave out what is after")
    parser.add_argument(
        "--align", action="store_true", help="with --every: put sources that lag earlier, as align does"
    )
    parser.add_argument(
        "--units", choices=("metric", "imperial"), default="metric", help="with --every: of speed and temperature"
    )
    parser.add_argument(
        "--raw",
        action="store_true",
        help="write the raw bytes kept around high alarms instead, as watch --capture does; .log for CAN frames",
    )
    parser.add_argument(
        "--all", type=Path, metavar="FOLDER", help="write each session there that it lacks, in Parquet"
    )
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")
    add_store(parser)


def _moment(text: str) -> float:
    if match := _MOMENT.fullmatch(text):
        return int(match[1] or 0) * 3600 + int(match[2]) * 60 + float(match[3])
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no moment of a session, such as 0:12:30 or 750") from None


def export(arguments: argparse.Namespace) -> int:
    """Write a session to a file, or every session to a folder."""
    from telemetry.model.errors import InputError

    if arguments.all is not None:
        if arguments.session is not None:
            raise InputError("export takes --all FOLDER or a session and a file, not both; leave one out")
        return _export_all(arguments)
    if arguments.session is None or arguments.out is None:
        raise InputError("export needs a session and a file, such as: shakedown export last mow.csv")
    if arguments.raw:
        from telemetry.runs.raw_export import export_raw

        count, names = export_raw(arguments.session, store_path(arguments), arguments.out, arguments.replace)
        say(f"{count} pieces of {names} written to {arguments.out}")
        return 0
    from telemetry.machine.machine_file import load_machine
    from telemetry.runs.exporting import Part
    from telemetry.runs.exporting import export as write
    from telemetry.runs.progress import Progress
    from telemetry.runs.subjects import open_subject

    given = None if arguments.machine is None else load_machine(arguments.machine)
    recording = open_subject(arguments.session, store_path(arguments), given)
    part = Part(
        every_s=arguments.every,
        signals=tuple(name.strip() for name in (arguments.signals or "").split(",") if name.strip()),
        derived=arguments.derived,
        begin_s=arguments.begin_s,
        stop_s=arguments.stop_s,
        imperial=arguments.units == "imperial",
        lags=_lags(recording) if arguments.align else None,
    )
    with Progress() as progress:
        done = write(recording, arguments.out, part, replace=arguments.replace, warn=progress.warn, progress=progress)
    warn(*recording.warnings)
    say(f"{done.rows} rows written to {arguments.out}")
    if done.marks:
        say(f"{done.marks} mark{'s' if done.marks > 1 else ''} written to {done.marks_path}")
    return 0


def _lags(recording: Recording) -> dict[str, int]:
    """Return how much later each source is than the earliest, microseconds, as far as events of both show it."""
    from telemetry.analysis.alignment import find_pairs, lags
    from telemetry.analysis.alignment_tracks import read_tracks

    found = lags(find_pairs(read_tracks(recording, [])), {})
    if not found:
        warn("no source was found to lag another, so times are as recorded")
    return {lag.source: round(lag.lag_s * 1e6) for lag in found}


def _export_all(arguments: argparse.Namespace) -> int:
    from telemetry.runs.exporting import write_data_set

    new = old = 0
    for each in write_data_set(store_path(arguments), arguments.all):
        new, old = new + (each.rows > 0), old + (each.rows == 0)
    say(f"{new} sessions written to {arguments.all}, {old} were there already")
    return 0
