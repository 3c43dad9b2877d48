"""``fit``: whether pack, wire, fuse, connector, controller and charger suit each other; what if; and sizes."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, add_store, as_json, say, store_path, takes_colour, warn
from telemetry.model.errors import InputError

if TYPE_CHECKING:
    from telemetry.analysis.session_figures import SessionFigures
    from telemetry.machine.sections import Machine


def add_to(commands: Any) -> None:
    """Add the command to the command line."""
    words = "check before power whether pack, wire, fuse, connector, controller and charger suit each other"
    parser = add(commands, "fit", fit, words, "shakedown fit mower.toml")
    parser.add_argument(
        "machine",
        type=Path,
        nargs="?",
        metavar="MACHINE.toml",
        help="the machine file; may be left out with --drive: then the one recorded with the session",
    )
    parser.add_argument(
        "--drive",
        metavar="SESSION",
        help="judge with what that drive measured as well: a number, last, or a file; the worse verdict counts",
    )
    parser.add_argument(
        "--try",
        dest="changes",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="show which findings change if the file said so, such as fuse_a=150; may be repeated; writes nothing",
    )
    parser.add_argument(
        "--stated",
        action="store_true",
        help="judge by the machine file alone, without the latest guided drive that loaded the machine",
    )
    parser.add_argument("--size", action="store_true", help="with --drive: the least size of each part for that duty")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_store(parser)


def fit(arguments: argparse.Namespace) -> int:
    """Print what every check finds; 1 where one of them says stop."""
    from telemetry.machine.machine_file import load_machine

    given = None if arguments.machine is None else load_machine(arguments.machine)
    if arguments.size and (arguments.drive is None or arguments.changes):
        raise InputError("--size takes a drive and no --try; write --size --drive last, say")
    if given is None and arguments.drive is None:
        raise InputError("fit needs a machine file; write shakedown fit MACHINE.toml, or name a --drive")
    if arguments.stated and arguments.drive is not None:
        raise InputError("--stated leaves every drive out, and --drive names one; leave one of the two out")
    if arguments.drive is None:
        assert given is not None
        led = None if arguments.stated else _led(arguments, given)
        if led is None:
            return _judge(arguments, given, None, arguments.machine.name)
        if not arguments.json:
            say(f"Measured figures are those of its guided drive, {led[1]}; --stated leaves them out.")
        return _judge(arguments, given, *led)
    figures, machine, name = _driven(arguments, given)
    return _size(arguments, figures, machine, name) if arguments.size else _judge(arguments, machine, figures, name)


def _led(arguments: argparse.Namespace, machine: Machine) -> tuple[SessionFigures, str] | None:
    """Return the figures and the name of the machine's latest guided drive that loaded it; None without one."""
    if machine.vehicle.id is None:
        return None
    from telemetry.analysis.duty import duty_of
    from telemetry.analysis.series import read_series
    from telemetry.analysis.session_figures import figures_of
    from telemetry.runs.guided import guided_sessions
    from telemetry.runs.progress import Progress
    from telemetry.runs.subjects import open_subject

    store = store_path(arguments)
    with Progress() as progress:
        for number in reversed(guided_sessions(store, machine.vehicle.id)):
            recording = open_subject(str(number), store, machine)
            figures = figures_of(read_series(progress.watched(recording)), machine)
            known = figures.resistance is not None and figures.resistance.pack_mohm is not None
            if known and not isinstance(duty_of(figures, machine), str):
                return figures, recording.name
    return None


def _driven(arguments: argparse.Namespace, given: Machine | None) -> tuple[SessionFigures, Machine | None, str]:
    """Return the figures of the drive, the machine it is judged by, and what to call it."""
    from telemetry.analysis.series import read_series
    from telemetry.analysis.session_figures import figures_of
    from telemetry.runs.progress import Progress
    from telemetry.runs.subjects import machine_for, open_subject

    recording = open_subject(arguments.drive, store_path(arguments), given)
    warn(*recording.warnings)
    machine = machine_for(recording, given)
    with Progress() as progress:
        series = read_series(progress.watched(recording))
        progress.at(f"finding the figures of {recording.name}")
        return figures_of(series, machine), machine, recording.name


def _judge(arguments: argparse.Namespace, machine: Machine | None, figures: SessionFigures | None, name: str) -> int:
    """Print the findings, or those that a tried change makes different."""
    from telemetry.machine.fit import overall
    from telemetry.machine.fit.trying import tried
    from telemetry.report.fit_drive import Judgement
    from telemetry.report.fit_text import fit_lines, fit_object, try_lines, try_object

    if machine is None:
        raise InputError(f"no machine file was recorded with {name}; write shakedown fit MACHINE.toml --drive ...")
    colour = takes_colour()
    before = Judgement.of(machine, figures, name)
    judged, lines = before, list[str]()
    if arguments.changes:
        changed, made = tried(machine, arguments.changes)
        judged = Judgement.of(changed, figures, name)
        shown = try_object(made, before.findings, judged.findings)
        lines = try_lines(machine.name, made, before.findings, judged.findings, colour)
    else:
        shown = fit_object(judged.findings)
        lines = fit_lines(machine, judged.findings, colour, judged.lines())
    if figures is not None:
        shown["drive"] = judged.drive_object()
    if colour and not arguments.json:
        sys.stdout.write("\n".join(lines) + "\n")  # our own colours; a machine file's text is printable
    else:
        say(as_json(shown) if arguments.json else "\n".join(lines))
    return 1 if overall(judged.findings) == "stop" else 0


def _size(arguments: argparse.Namespace, figures: SessionFigures, machine: Machine | None, name: str) -> int:
    """Print the least size of each part for the duty of a drive."""
    from telemetry.analysis.duty import duty_of
    from telemetry.analysis.part_sizes import part_sizes
    from telemetry.machine.pack_keys import Wiring
    from telemetry.report.fit_drive_text import size_lines, size_object

    duty = duty_of(figures, machine)
    sizes = () if isinstance(duty, str) else part_sizes(duty, Wiring() if machine is None else machine.wiring)
    say(as_json(size_object(name, duty, sizes)) if arguments.json else "\n".join(size_lines(name, duty, sizes)))
    return 0
