"""``fit``: whether pack, wire, fuse, connector, controller and charger of a machine file suit each other."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from telemetry.commands.options import add, as_json, say


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    words = "check before power whether pack, wire, fuse, connector, controller and charger suit each other"
    parser = add(commands, "fit", fit, words, "shakedown fit mower.toml")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--json", action="store_true", help="print one JSON object: verdict and findings")


def fit(arguments: argparse.Namespace) -> int:
    """Print what every check finds; 1 where one of them says stop."""
    from telemetry.machine.fit import fit as found_for
    from telemetry.machine.fit import overall
    from telemetry.machine.machine_file import load_machine
    from telemetry.report.fit_text import fit_lines, fit_object

    machine = load_machine(arguments.machine)
    findings = found_for(machine)
    if arguments.json:
        say(as_json(fit_object(findings)))
    else:
        colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
        say("\n".join(fit_lines(machine, findings, colour)))
    return 1 if overall(findings) == "stop" else 0
