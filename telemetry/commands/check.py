"""Whether this computer is ready for a drive."""

from __future__ import annotations

import argparse
import textwrap
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from telemetry.commands.options import add, add_store, as_json, say


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    words = "check whether this computer is ready: permissions, adapters, clock, disk, sleep, terminal"
    parser = add(commands, "check", check, words, "shakedown check mower.toml")
    parser.add_argument(
        "machine", type=Path, metavar="MACHINE", nargs="?", help="a machine file, to check its links too"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def _lines(head: str, said: str) -> str:
    """Return what was found behind its head, wrapped to the width of the screen."""
    return textwrap.fill(said, 80, initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=False)


def check(arguments: argparse.Namespace) -> int:
    """Say what was found; return 1 where something has to be changed before a drive."""
    from telemetry.machine.machine_file import load_machine
    from telemetry.pipeline.registry import check_settings
    from telemetry.runs.readiness import readiness
    from telemetry.store.place import default_store_path

    path = arguments.machine
    machine = None if path is None else load_machine(path, partial(check_settings, folder=path.parent))
    found = readiness(arguments.store or default_store_path(), machine)
    if arguments.json:
        say(as_json([asdict(each) for each in found]))
    else:
        width = max(len(each.what) for each in found)
        say("\n".join(_lines(f"{each.word:4}  {each.what:{width}}  ", each.found) for each in found))
    return int(any(each.word == "fix" for each in found))
