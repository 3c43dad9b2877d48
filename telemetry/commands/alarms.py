"""The alarms of a session and the figures of its alarm system."""

from __future__ import annotations

import argparse
from typing import Any

from telemetry.commands.options import (
    add,
    add_machine,
    add_session,
    add_store,
    as_json,
    say,
    seconds,
    store_path,
    warn,
)

_SESSIONS = (2, 1000)  # the least that show a habit, and the most that anybody waits for


def add_to(commands: Any) -> None:
    """Add the command."""
    words = "list the alarms of a session, and show whether its limits work"
    parser = add(commands, "alarms", alarms, words, "shakedown alarms last")
    add_session(parser)
    add_machine(parser, "use the limits of this machine file; a recording file needs one")
    parser.add_argument(
        "--chattering", type=_count, default=3, metavar="N", help="raised this often counts as chattering; default 3"
    )
    parser.add_argument(
        "--within", type=seconds, default=60.0, metavar="SECONDS", help="within this time; default 60"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def _count(text: str) -> int:
    if not text.isdecimal() or not _SESSIONS[0] <= int(text) <= _SESSIONS[1]:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 2 to 1000")
    return int(text)


def alarms(arguments: argparse.Namespace) -> int:
    """List the alarms."""
    from telemetry.alarms.faults import ChatteringRule
    from telemetry.model.errors import InputError
    from telemetry.report.alarm_text import alarm_lines, alarm_object
    from telemetry.runs.judged import alarm_review
    from telemetry.runs.subjects import subject

    store = store_path(arguments)
    recording, machine, given = subject(arguments.session, store, arguments.machine)
    rule = ChatteringRule(arguments.chattering, arguments.within)
    review = alarm_review(recording, store, given, machine, rule)
    if review is None:
        raise InputError(f"{recording.name} has no machine file, so it has no limits; add --machine FILE")
    warn(*recording.warnings)
    say(as_json(alarm_object(review)) if arguments.json else "\n".join(alarm_lines(review)))
    return 0
