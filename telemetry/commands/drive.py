"""``drive``: the guided shakedown drive, judged step by step."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from telemetry.commands.options import add, add_store, as_json, say, store_path, warn


def add_to(commands: Any) -> None:
    """Add this command to the command line."""
    words = "judge the steps of a guided shakedown drive in drives that were recorded, planned or not"
    parser = add(commands, "drive", drive, words, "shakedown drive mower.toml --judge last --result mower.html")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument(
        "--judge",
        nargs="+",
        required=True,
        metavar="SESSION",
        help="find the manoeuvres in these recordings: sessions' numbers, last, or files; the latest counts",
    )
    parser.add_argument("--result", type=Path, metavar="OUT", help="also write the result as one page to print there")
    parser.add_argument("--replace", action="store_true", help="replace the page if it exists")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    add_store(parser)


def drive(arguments: argparse.Namespace) -> int:
    """Judge recordings as a guided drive; 1 where a step fails."""
    from telemetry.machine.machine_file import load_machine
    from telemetry.model.errors import InputError, harmless, printable
    from telemetry.report.guided_page import result_page
    from telemetry.report.guided_text import result_lines, result_object
    from telemetry.runs.guided import judge_sessions
    from telemetry.runs.progress import Progress

    page: Path | None = arguments.result
    if page is not None and page.exists() and not arguments.replace:
        raise InputError(f"{printable(page, 200)} exists; choose another name or add --replace")
    machine = load_machine(arguments.machine)
    with Progress() as progress:
        result, warnings = judge_sessions(machine, arguments.judge, store_path(arguments), progress)
    for warning in warnings:
        warn(warning)
    if page is not None:
        from telemetry.model.whole_file import whole_or_not_at_all

        with whole_or_not_at_all(page, replace=True) as stream:
            stream.write(harmless(result_page(result)).encode())
    say(as_json(result_object(result)) if arguments.json else "\n".join(result_lines(result)))
    return int(result.verdict.word == "FAIL")
