"""``drive``: the guided shakedown drive, led live and judged step by step."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import (
    add,
    add_screen_options,
    add_store,
    as_json,
    require_terminal,
    say,
    store_path,
    times_real_time,
    warn,
)

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Sequence

    from telemetry.guided.result import GuidedResult
    from telemetry.guided.steps import Step
    from telemetry.machine.sections import Machine


def add_to(commands: Any) -> None:
    """Add this command to the command line."""
    words = "lead through a guided drive step by step, or judge its steps in recorded drives"
    parser = add(commands, "drive", drive, words, "shakedown drive mower.toml --judge last --result mower.html")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument(
        "--judge",
        nargs="+",
        metavar="SESSION",
        help="judge the steps found in these recordings: session numbers, last, or files; the latest counts",
    )
    parser.add_argument(
        "--result",
        type=Path,
        metavar="OUT",
        help="also write the result there, as one page to print; without --judge, of all the machine's guided drives",
    )
    parser.add_argument("--replace", action="store_true", help="replace the page if it exists")
    parser.add_argument(
        "--rehearse",
        metavar="RECORDING",
        help="lead through the steps while a recording plays in place of the machine; records nothing",
    )
    parser.add_argument(
        "--speed",
        type=times_real_time,
        default=argparse.SUPPRESS,
        metavar="N|max",
        help="with --rehearse: times real time; default 1",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print one JSON object; without --judge, of all the machine's guided drives",
    )
    parser.add_argument(
        "--step",
        action="append",
        default=[],
        metavar="NAME",
        help="lead through this step again, as after a change; may be repeated; default: those not judged yet",
    )
    parser.add_argument("--speak", action="store_true", help="speak the instructions, where the platform has a voice")
    parser.add_argument("--silent", action="store_true", help="no sound")
    parser.add_argument(
        "--first-power-done", action="store_true", help="state that first power was finished without this program"
    )
    parser.add_argument("--yes", action="store_true", help="agree to what the machine file sends; for scripts")
    add_screen_options(parser)
    add_store(parser)


def drive(arguments: argparse.Namespace) -> int:
    """Lead through a guided drive, or judge recordings as one; 1 where a step fails."""
    from telemetry.machine.machine_file import load_machine
    from telemetry.model.errors import InputError, printable
    from telemetry.model.whole_file import check_free

    page: Path | None = arguments.result
    if page is not None:
        check_free(page, arguments.replace)
    if arguments.rehearse is None and "speed" in arguments:
        raise InputError("--speed is for --rehearse: a machine that is driven has its own time")
    if arguments.rehearse is not None:
        return _rehearse(arguments)
    if arguments.judge is not None:
        return _tell(arguments, *_judged(arguments, load_machine(arguments.machine), arguments.judge))
    if page is None and not arguments.json:
        return _lead(arguments)
    machine = load_machine(arguments.machine)
    sessions = _guided_sessions(arguments, machine)
    if not sessions:
        raise InputError(
            f"no guided drive of {machine.name} is recorded in {printable(store_path(arguments), 200)};"
            " record one with shakedown drive, or judge other recordings with --judge"
        )
    return _tell(arguments, *_judged(arguments, machine, sessions))


def _judged(
    arguments: argparse.Namespace, machine: Machine, names: Sequence[str]
) -> tuple[GuidedResult, tuple[str, ...]]:
    from telemetry.runs.guided import judge_sessions
    from telemetry.runs.progress import Progress

    with Progress() as progress:
        return judge_sessions(machine, names, store_path(arguments), progress)


def _tell(arguments: argparse.Namespace, result: GuidedResult, warnings: Sequence[str]) -> int:
    """Print the result, and write its page; 1 where a step failed."""
    from telemetry.model.errors import harmless
    from telemetry.report.guided_page import result_page
    from telemetry.report.guided_text import result_lines, result_object

    warn(*warnings)
    if arguments.result is not None:
        from telemetry.model.whole_file import write_whole

        write_whole(arguments.result, harmless(result_page(result)), replace=True)
    say(as_json(result_object(result)) if arguments.json else "\n".join(result_lines(result)))
    return int(result.verdict.word == "FAIL")


def _guided_sessions(arguments: argparse.Namespace, machine: Machine) -> list[str]:
    """Return the guided drives of this machine as :func:`open_subject` takes them.

    Raises:
        InputError: the machine file has no id that they could belong to.
    """
    from telemetry.model.errors import InputError
    from telemetry.runs.guided import guided_sessions

    if machine.vehicle.id is None:
        import secrets

        line = f'id = "{secrets.token_hex(4)}"'
        raise InputError(f"a guided drive needs the machine's id, and the file has none; add {line} to [machine]")
    return [str(number) for number in guided_sessions(store_path(arguments), machine.vehicle.id)]


def _rehearse(arguments: argparse.Namespace) -> int:
    """Lead through the steps while a recording plays; nothing is recorded, and nothing sent."""
    from telemetry.guided.leading import Leader
    from telemetry.model.errors import InputError
    from telemetry.runs import join, subjects
    from telemetry.runs.options import RunOptions

    if arguments.judge is not None or arguments.result is not None or arguments.json:
        raise InputError("--rehearse only leads; judge the recording with --judge")
    require_terminal("drive", "judge a recording with --judge SESSION")
    machine = subjects.machine_for_watch(arguments.machine)
    steps = [step for step, _ in _steps_to_do(arguments, machine, ())]
    store = store_path(arguments)
    options = RunOptions(
        sessions=store,
        silent=arguments.silent,
        units=arguments.units,
        plain_blocks=arguments.plain_blocks,
        leader=Leader(machine, steps),
        speaks=arguments.speak,
    )
    recording = subjects.open_subject(arguments.rehearse, store, machine)
    return join.replay(recording, machine, getattr(arguments, "speed", 1.0), options)


def _lead(arguments: argparse.Namespace) -> int:
    """Lead through the steps that are not judged yet, record them, and print the result so far."""
    from telemetry.commands.consent import agree_to_sending
    from telemetry.guided.leading import Leader
    from telemetry.runs import join, subjects
    from telemetry.runs.options import RunOptions

    machine = subjects.machine_for_watch(arguments.machine)
    earlier = _guided_sessions(arguments, machine)
    steps = _steps_to_do(arguments, machine, earlier)
    counted = {step.name: attempts for step, attempts in steps}
    if not steps:
        say("Every step is judged; --step NAME leads through one again.")
        return _tell(arguments, *_judged(arguments, machine, earlier))
    _require_ready(arguments, machine)
    require_terminal("drive", "judge a recording with --judge SESSION")
    agree_to_sending(machine, yes=arguments.yes, ask=True)
    store = store_path(arguments)
    options = RunOptions(
        store=store,
        sessions=store,
        silent=arguments.silent,
        units=arguments.units,
        plain_blocks=arguments.plain_blocks,
        leader=Leader(machine, [step for step, _ in steps], counted, again=bool(arguments.step)),
        speaks=arguments.speak,
    )
    status = join.watch(machine, options)
    driven = _guided_sessions(arguments, machine)
    return (_tell(arguments, *_judged(arguments, machine, driven)) if driven else 0) or status


def _steps_to_do(
    arguments: argparse.Namespace, machine: Machine, earlier: Sequence[str]
) -> list[tuple[Step, Counter[str]]]:
    """Return the steps named, else those that no earlier drive settled, with the good attempts that there are."""
    from collections import Counter

    from telemetry.guided.steps import STEPS
    from telemetry.model.errors import InputError, nearest

    names = [step.name for step in STEPS]
    for name in arguments.step:
        if name not in names:
            near = nearest(name, names, 1)
            right = f"did you mean {near[0]}?" if near else f"the steps are {', '.join(names)}"
            raise InputError(f"there is no step {name!r}; {right}")
    if arguments.step:
        return [(step, Counter()) for step in STEPS if step.name in arguments.step]
    if not earlier:
        brakes = machine.vehicle.regenerates is not False
        return [(step, Counter()) for step in STEPS if step.name != "braking" or brakes]
    result, _ = _judged(arguments, machine, earlier)
    return [
        (each.step, Counter(attempt.part for attempt in each.attempts if attempt.accepted))
        for each in result.steps
        if not each.judged
    ]


def _require_ready(arguments: argparse.Namespace, machine: Machine) -> None:
    """Refuse to begin where the machine is not ready for it.

    Raises:
        InputError: fit says stop, or first power is not finished.
    """
    from telemetry.machine.fit import require_no_stop
    from telemetry.model.errors import InputError
    from telemetry.runs.first_power_progress import progress

    require_no_stop(machine, arguments.machine, "the drive")
    come = progress(machine, store_path(arguments))
    if not arguments.first_power_done and not come.is_ready:
        raise InputError(
            f"first power is not finished, so the drive does not begin; go through shakedown first-power"
            f" {arguments.machine}, or add --first-power-done if it was done on paper"
        )
