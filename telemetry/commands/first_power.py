"""Lead through the first time that a rebuilt machine is given power."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, add_store, say, store_path

if TYPE_CHECKING:
    from telemetry.machine.first_power import Step
    from telemetry.machine.sections import Machine
    from telemetry.store.ledger import Ledger

PREFIX = "first-power "


def add_to(commands: Any) -> None:
    """Add this command to the command line."""
    words = "lead through the first time that the rebuilt machine is given power, step by step"
    parser = add(commands, "first-power", first_power, words, "shakedown first-power mower.toml")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--print", dest="sheet", action="store_true", help="print the list as a sheet to write on")
    parser.add_argument("--again", action="store_true", help="begin anew, though an earlier list is there")
    add_store(parser)


def first_power(arguments: argparse.Namespace) -> int:
    """Ask step by step, keep every reading at once, and go on where an earlier call ended."""
    from telemetry.machine.first_power_steps import STEPS
    from telemetry.machine.machine_file import load_machine
    from telemetry.report.first_power_text import HEAD, sheet_lines, summary_lines, wrapped

    machine = load_machine(arguments.machine)
    if arguments.sheet:
        say("\n".join(sheet_lines(STEPS, machine)))
        return 0
    from telemetry.store.ledger import Ledger

    with Ledger.open(store_path(arguments)) as ledger:
        session, readings = _begun(ledger, machine, arguments.again)
        say("\n".join(wrapped(HEAD)))
        say("Type a reading, yes or no, skip, ? for help, or later to leave the list here.")
        if readings:
            say("\n".join(["", "So far:", *summary_lines(STEPS, machine, readings)]))
        for number, step in enumerate(STEPS, start=1):
            if step.name in readings and step.judged(machine, readings, readings[step.name]).verdict != "stop":
                continue
            status = _ask(ledger, session, machine, readings, number, len(STEPS), step)
            if status is not None:
                return status
        say("\n".join(["", "All steps are done:", *summary_lines(STEPS, machine, readings)]))
        say(f"Kept as session {session}.")
    return 0


def _begun(ledger: Ledger, machine: Machine, again: bool) -> tuple[int, dict[str, float]]:
    """Return the session to go on with, and its last reading for each step."""
    from telemetry.model.clock import SystemClock

    session = None if again else ledger.latest(machine.name)
    if session is None:
        return ledger.begin(machine.name, machine.text, SystemClock().now()), {}
    if ledger.machine_text(session) != machine.text:
        say("The machine file has changed since the list was begun; earlier readings are judged by it as it is now.")
    entries = [entry for entry in ledger.entries(session) if entry.entry.startswith(PREFIX)]
    return session, {entry.entry.removeprefix(PREFIX): entry.amount for entry in entries}


def _ask(
    ledger: Ledger, session: int, machine: Machine, readings: dict[str, float], number: int, count: int, step: Step
) -> int | None:
    """Ask one step's reading and keep it; return the exit status where the list ends here, else None."""
    from telemetry.model.clock import SystemClock
    from telemetry.model.errors import InputError
    from telemetry.report.first_power_text import judgement_lines, step_lines
    from telemetry.store.ledger import LedgerEntry

    say("\n".join(step_lines(number, count, step, machine, readings)))
    left = f"the list stops at step {number} of {count}; run the same command again to go on there"
    try:
        reading = _reading(step)
    except KeyboardInterrupt:
        say(f"\nWhat was typed is kept; {left}.")
        return 130
    except EOFError:
        raise InputError(f"the answers ended; {left}") from None
    if reading is None:
        say(f"What was typed is kept; {left}.")
        return 0
    found = step.judged(machine, readings, reading)
    method = "skipped" if math.isnan(reading) else ("meter" if step.unit else "answer")
    ledger.add(session, LedgerEntry(SystemClock().now(), PREFIX + step.name, reading, step.unit, method))
    readings[step.name] = reading
    say("\n".join(judgement_lines(found)))
    if found.verdict != "stop":
        return None
    say(f"\nGo no further. When it is put right, run the same command again: it begins with step {number}.")
    return 1


def _reading(step: Step) -> float | None:
    """Return what is typed: a reading, NaN for skip, None for later."""
    from telemetry.machine.first_power_reading import read_answer
    from telemetry.machine.values import BadValue
    from telemetry.report.first_power_text import wrapped

    unit = f" [{step.unit}]" if step.unit else " [yes or no]"
    while True:
        typed = input(f"  {step.question}{unit} ").strip()
        if typed.lower() in ("skip", "later"):
            return math.nan if typed.lower() == "skip" else None
        if typed in ("?", "help"):
            say("\n".join(wrapped(step.help, "  Help     ")))
            continue
        try:
            return read_answer(typed, step.unit)
        except BadValue as bad:
            say("\n".join(wrapped(f"{bad.what}; {bad.right}.", "  ", "  ")))
