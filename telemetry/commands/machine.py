"""The machine file: write one, and show the limits it puts in force."""

from __future__ import annotations

import argparse
import codecs
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, add_store, as_json, say, store_path

if TYPE_CHECKING:
    from telemetry.guided.offers import Offer
    from telemetry.machine.limits import Limit
    from telemetry.machine.limits_frame import ResistanceHistory
    from telemetry.machine.sections import Machine


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    _add_limits(commands)
    _add_new_machine(commands)
    _add_machine_schema(commands)


def _add_limits(commands: Any) -> None:
    words = "show every limit in force for a machine file, and where each comes from"
    parser = add(commands, "limits", limits, words, "shakedown limits mower.toml")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME.KEY=VALUE",
        help="write your number into the machine file, such as cell-imbalance-top.warn=2%%; a unit may follow; may be"
        " repeated",
    )
    parser.add_argument(
        "--unset",
        action="append",
        default=[],
        metavar="NAME[.KEY]",
        help="remove your number, or all of a limit's, from the machine file; may be repeated",
    )
    parser.add_argument(
        "--stated",
        action="store_true",
        help="show the limits alone, without those that the machine's guided drives offer",
    )
    add_store(parser)


def _add_new_machine(commands: Any) -> None:
    words = "ask a few questions and write a machine file"
    parser = add(commands, "new-machine", new_machine, words, "shakedown new-machine mower.toml")
    parser.add_argument(
        "file", nargs="?", type=Path, default=Path("machine.toml"), metavar="FILE", help="default: machine.toml"
    )
    parser.add_argument("--yes", action="store_true", help="ask nothing, take the defaults")
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")


def _add_machine_schema(commands: Any) -> None:
    words = "write a JSON Schema of the machine file, for an editor that checks and explains keys as you type"
    parser = add(
        commands, "machine-schema", machine_schema, words, "shakedown machine-schema --out machine.schema.json"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="write it there instead of printing it")
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")


def machine_schema(arguments: argparse.Namespace) -> int:
    """Print the JSON Schema of the machine file, or write it."""
    from telemetry.machine.schema import machine_schema as schema
    from telemetry.model.whole_file import write_whole
    from telemetry.pipeline.registry import driver_tables

    text = as_json(schema(driver_tables()))
    if arguments.out is None:
        say(text)
        return 0
    write_whole(arguments.out, f"{text}\n", arguments.replace)
    say(f"{arguments.out} written; make the first line of a machine file beside it: #:schema ./{arguments.out.name}")
    return 0


def limits(arguments: argparse.Namespace) -> int:
    """Show the limits in force, or change them in the file and show what changed."""
    from telemetry.machine.cautions import caution_line
    from telemetry.machine.limits import limits_for, unjudged
    from telemetry.machine.machine_file import load_machine
    from telemetry.pipeline.reported_names import with_reported_names
    from telemetry.report.limit_list import limit_lines, limit_objects, offer_lines
    from telemetry.runs.earlier_sessions import resistance_history

    machine = load_machine(arguments.machine)
    history = resistance_history(store_path(arguments), machine.name)
    if arguments.set or arguments.unset:
        return _change_limits(arguments, machine, history)
    machine = with_reported_names(machine)
    found, missing = limits_for(machine, history), unjudged(machine, history)
    offered, drives = ((), "") if arguments.stated else _offers(arguments, machine, found)
    if arguments.json:
        say(as_json(limit_objects(found, missing, offered)))
        return 0
    lines = [
        *limit_lines(found, missing),
        *offer_lines(offered, drives, arguments.machine),
        "",
        caution_line(machine),
    ]
    say("\n".join(lines))
    return 0


def _offers(arguments: argparse.Namespace, machine: Machine, found: Sequence[Limit]) -> tuple[Sequence[Offer], str]:
    """Return what the machine's guided drives offer, and their names; nothing where there are none."""
    from telemetry.runs.guided import guided_sessions

    store = store_path(arguments)
    sessions = [] if machine.vehicle.id is None else guided_sessions(store, machine.vehicle.id)
    if not sessions:
        return (), ""
    from telemetry.guided.offers import offers
    from telemetry.runs.guided import judge_sessions
    from telemetry.runs.progress import Progress

    with Progress() as progress:
        result, _ = judge_sessions(machine, [str(number) for number in sessions], store, progress)
    return tuple(offers(machine, result.steps, found)), ", ".join(each.name for each in result.sessions)


def _change_limits(arguments: argparse.Namespace, machine: Machine, history: ResistanceHistory) -> int:
    """Write the owner's numbers into the machine file and say what changed."""
    from telemetry.machine.limits import limits_for, unjudged
    from telemetry.machine.machine_file import parse_machine
    from telemetry.machine.override_edit import edited, setting, unsetting
    from telemetry.model.errors import MachineFileError, printable
    from telemetry.model.whole_file import write_whole
    from telemetry.report.limit_list import change_lines, limit_lines, limit_objects

    path: Path = arguments.machine
    changes = [*map(unsetting, arguments.unset), *map(setting, arguments.set)]
    content = path.read_bytes()
    mark = "\ufeff" if content.startswith(codecs.BOM_UTF8) else ""
    text = edited(content.decode("utf-8-sig"), changes)
    after, problems = parse_machine(text, str(path))
    if after is None:
        raise MachineFileError(f"{path} was left as it is: with this change it", problems)
    write_whole(path.resolve(), mark + text, replace=True)
    names = {each.limit for each in changes}
    found = [each for each in limits_for(after, history) if each.name in names]
    missing = {name: why for name, why in unjudged(after, history).items() if name in names}
    if arguments.json:
        say(as_json(limit_objects(found, missing, ())))
        return 0
    changed = change_lines(changes, limits_for(machine, history), found)
    say("\n".join([f"{printable(path, 200)} changed:", *changed, "", *limit_lines(found, missing)]))
    return 0


def new_machine(arguments: argparse.Namespace) -> int:
    """Ask a few questions and write a machine file; 130 where Ctrl-C ended the questions, the answers kept."""
    import secrets

    from telemetry.commands.asking import ask_here
    from telemetry.machine.interview import interview
    from telemetry.model.errors import InputError
    from telemetry.model.whole_file import check_free, write_whole

    path: Path = arguments.file
    check_free(path, arguments.replace)
    answers: dict[str, object] = {}
    identity = secrets.token_hex(4)
    try:
        text = (
            interview(lambda question: question.default, answers, identity=identity)
            if arguments.yes
            else interview(ask_here, answers, _look, identity)
        )
    except KeyboardInterrupt:
        say(f"\n{_keep_answers(path, answers)}")
        return 130
    except EOFError:
        kept = _keep_answers(path, answers)
        raise InputError(f"the answers ended before the questions; {kept}; --yes takes the defaults") from None
    write_whole(path, text, replace=True)
    say(f"{path} written; read it through, then: shakedown limits {path}\n")
    say("\n".join(_judged(path, text)))
    return 0


def _look() -> list[dict[str, Any]]:
    """Return the links in reach; what could not be searched is reported."""
    from telemetry.runs.discover import sources_in_reach

    say("Looking for devices in reach ...")
    found, reasons = sources_in_reach()
    for reason in reasons:
        say(f"  {reason}")
    return found


def _judged(path: Path, text: str) -> list[str]:
    """Return what fit says of a new file in short, and what its sources still need."""
    from telemetry.machine.fit import fit
    from telemetry.machine.machine_file import parse_machine
    from telemetry.pipeline.registry import check_settings
    from telemetry.report.fit_text import summary_lines

    machine, _ = parse_machine(text, str(path))
    assert machine is not None, "the questions take no answer that the file's reader refuses"
    _, problems = parse_machine(text, str(path), partial(check_settings, folder=path.parent))
    needs = [f"- {problem}" for problem in problems]
    pack = machine.pack
    stated = f"The file states {pack.cells_in_series} {pack.cell.label} cells in series, {pack.capacity_ah:g} Ah"
    lines = [
        f"{stated}. Check all three on the pack itself:",
        "a wrong number of cells makes every voltage limit wrong, the charger's too.",
        "",
    ]
    lines += [*summary_lines(machine, fit(machine)), "", f"All checks with their sources: shakedown fit {path}"]
    return [*lines, *(["", "Before shakedown watch can read it:", *needs] if needs else [])]


def _keep_answers(path: Path, answers: Mapping[str, object]) -> str:
    """Write the answers so far beside no finished file; return what was kept and how to go on."""
    from telemetry.machine.new_machine import new_machine_text
    from telemetry.model.whole_file import write_whole

    if not answers:
        return "nothing was answered, so nothing was written"
    if path.exists():
        path = path.with_name(f"{path.stem}.unfinished{path.suffix}")
    write_whole(path, new_machine_text(answers, with_defaults=False), replace=True)
    count = "1 answer is" if len(answers) == 1 else f"{len(answers)} answers are"
    return f"{count} kept in {path}; go on in a text editor: fill in the lines that end in = ?"
