"""``shakedown isolate``: which part makes the machine hesitate."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from telemetry.commands.options import add, add_machine, add_session, add_store, as_json, say, store_path, warn
from telemetry.model.errors import harmless

MOST_STRIPS = 3


def add_to(commands: Any) -> None:
    """Add this command to the command line."""
    words = "name the part that makes the machine hesitate, from a recorded drive"
    parser = add(commands, "isolate", isolate, words, "shakedown isolate last")
    add_session(parser)
    add_machine(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--ask",
        action="store_true",
        help="ask for readings by hand first (meter, lamp, jacked-up wheels), and use them",
    )
    add_store(parser)


def isolate(arguments: argparse.Namespace) -> int:
    """Judge a recorded drive; 1 where a part or a cell is named."""
    from telemetry.analysis.fault_isolation.isolate import isolate as judge
    from telemetry.analysis.series import read_series
    from telemetry.analysis.session_figures import find_cells
    from telemetry.report.isolation_page import event_strips
    from telemetry.report.isolation_questions import ask_readings
    from telemetry.report.isolation_text import isolation_object, letter_lines
    from telemetry.runs.earlier_drives import motion_resistances
    from telemetry.runs.progress import Progress
    from telemetry.runs.subjects import subject

    recording, machine, _ = subject(arguments.session, store_path(arguments), arguments.machine)
    with Progress() as progress:
        series = read_series(progress.watched(recording))
    warn(*recording.warnings)
    readings = ask_readings(_ask, _say_beside) if arguments.ask else None
    session = getattr(recording, "session", None)
    earlier = () if session is None else motion_resistances(store_path(arguments), session)
    with Progress() as progress:
        progress.at("comparing the causes")
        isolation = judge(series, machine, readings, earlier, find_cells(series, machine))
    if arguments.json:
        say(as_json(isolation_object(isolation)))
    else:
        known = series.get("enable_voltage") is not None
        strips = [line for event in isolation.events[:MOST_STRIPS] for line in event_strips(series, event)]
        say("\n".join(letter_lines(series.name, series.duration_s, isolation, known, strips)))
    return 1 if isolation.fault_named or isolation.odd_cells else 0


def _ask(question: str) -> str | None:
    """Ask on standard error, so that standard output stays the answer alone; None at the end of the input."""
    sys.stderr.write(question)
    sys.stderr.flush()
    return sys.stdin.readline() or None


def _say_beside(text: str) -> None:
    sys.stderr.write(harmless(text) + "\n")
