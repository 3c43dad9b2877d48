"""What a drive showed and how sure that is, and how drives compare."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import (
    above_0,
    add,
    add_machine,
    add_session,
    add_store,
    as_json,
    say,
    store_path,
    takes_colour,
    warn,
)

_LARGEST_HA = 1000  # of one session; beyond that a mistyped figure


if TYPE_CHECKING:
    from telemetry.analysis.capacity import CapacityPair
    from telemetry.report.chart_data import Moment
    from telemetry.report.session_model import Report
    from telemetry.runs.judged import Judged


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    _add_report(commands)
    _add_compare(commands)


def _add_report(commands: Any) -> None:
    words = "report the figures of a drive, each with its uncertainty, and what is not known"
    parser = add(commands, "report", report, words, "shakedown report last --html mow.html")
    add_session(parser)
    add_machine(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--series", action="store_true", help="with --json: the state of charge every 10 s as well")
    parser.add_argument(
        "--wall-kwh",
        type=_kilowatt_hours,
        metavar="KWH",
        help="energy that your wall meter counted for this charge: gives the charger's efficiency",
    )
    parser.add_argument("--html", type=Path, metavar="OUT", help="also write one self-contained page there")
    parser.add_argument(
        "--plain",
        action="store_true",
        help="for a buyer or a neighbour: what it did and how its parts fared, in plain words; with --html as a page",
    )
    parser.add_argument("--replace", action="store_true", help="replace the page if it exists")
    add_store(parser)


def _kilowatt_hours(text: str) -> float:
    """Return Wh."""
    return 1000 * above_0(text, _LARGEST_HA, "not a number of kWh above 0, such as 6.4")


def _add_compare(commands: Any) -> None:
    words = "put the figures of several drives side by side, and say which differences are significant"
    parser = add(commands, "compare", compare, words, "shakedown compare 3 7")
    parser.add_argument(
        "sessions", nargs="+", metavar="SESSION", help="session numbers or recording files, two or more"
    )
    add_machine(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def report(arguments: argparse.Namespace) -> int:
    """Report on one session."""
    from telemetry.model.errors import harmless
    from telemetry.model.whole_file import check_free, write_whole
    from telemetry.report.plain_page import plain_lines, plain_page
    from telemetry.report.session_charts import drive_in_characters, moments_of, terminal_charts
    from telemetry.report.session_report import report_json
    from telemetry.report.session_text import painted, report_lines
    from telemetry.runs.judged import judged
    from telemetry.runs.progress import Progress

    page: Path | None = arguments.html
    if page is not None:
        check_free(page, arguments.replace)
    with Progress() as progress:
        found = judged(
            arguments.session,
            store_path(arguments),
            arguments.machine,
            with_series=arguments.series,
            wall_wh=arguments.wall_kwh,
            progress=progress,
        )
        progress.at("drawing the report")
        moments = moments_of(found.report)
        text = ""
        if page is not None:
            text = harmless(plain_page(found.report) if arguments.plain else _page(found, moments))
    warn(*found.warnings)
    if page is not None:
        write_whole(page, text, replace=True)
    if arguments.json:
        say(as_json(report_json(found.report)))
    elif arguments.plain:
        say("\n".join(plain_lines(found.report)))
    else:
        charts = terminal_charts(found.series, found.figures, moments=moments)
        charts.pop("power", None)  # the drive on one time axis shows it
        drive = drive_in_characters(found.series, found.figures, found.report, moments)
        text = harmless("\n".join(report_lines(found.report, charts, drive)))
        sys.stdout.write(f"{painted(text) if takes_colour() else text}\n")
    return 0


def _page(found: Judged, moments: list[Moment]) -> str:
    """Return the page of a session."""
    from telemetry.report.session_charts import drive_picture, page_charts
    from telemetry.report.session_page import report_page

    charts = page_charts(found.series, found.figures, moments)
    drive = drive_picture(found.series, found.figures, found.report, moments)
    return report_page(found.report, charts, _isolation(found), drive)


def _isolation(found: Judged) -> str:
    """Return the page's section on what made the machine hesitate; empty where there is no pedal to judge it by."""
    from telemetry.analysis.fault_isolation.isolate import isolate
    from telemetry.report.isolation_page import isolation_section
    from telemetry.report.isolation_text import letter_lines

    series = found.series
    if series.get("throttle_voltage") is None or series.get("pack_current") is None:
        return ""
    cells = None if found.figures.sign_is_wrong else found.figures.cells
    judgement = isolate(series, found.figures.machine, cells=cells)
    known = series.get("enable_voltage") is not None
    return isolation_section(series, judgement, letter_lines(series.name, series.duration_s, judgement, known))


def compare(arguments: argparse.Namespace) -> int:
    """Compare several sessions."""
    from telemetry.analysis.capacity import join_capacities
    from telemetry.model.errors import InputError
    from telemetry.report.comparison import compare as compared
    from telemetry.report.comparison import comparison_lines, comparison_object
    from telemetry.runs.judged import judged
    from telemetry.runs.progress import Progress

    if len(arguments.sessions) <= 1:
        raise InputError("compare needs two sessions or more, such as: shakedown compare 3 7")
    reports: list[Report] = []
    pairs: list[CapacityPair] = []
    with Progress() as progress:
        for name in arguments.sessions:
            found = judged(name, store_path(arguments), arguments.machine, progress=progress)
            for warning in found.warnings:
                progress.warn(f"{name}: {warning}")
            reports.append(found.report)
            pairs += [] if found.figures.capacity is None else found.figures.capacity.pairs
    lines, together = compared(reports), join_capacities(pairs)
    if arguments.json:
        say(as_json(comparison_object(reports, lines, together)))
    else:
        say("\n".join(comparison_lines(reports, lines, together)))
    return 0
