"""Lead through the first time that a rebuilt machine is given power."""

from __future__ import annotations

import argparse
import math
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, add_store, say, store_path

if TYPE_CHECKING:
    from collections.abc import Iterable

    from telemetry.machine.first_power import Step
    from telemetry.machine.sections import Machine
    from telemetry.store.ledger import Ledger

_WORDS = ("skip", "later", "back")


def add_to(commands: Any) -> None:
    """Add this command to the command line."""
    words = "lead through the first time that the rebuilt machine is given power, step by step"
    parser = add(commands, "first-power", first_power, words, "shakedown first-power mower.toml")
    parser.add_argument("machine", type=Path, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--print", dest="sheet", action="store_true", help="print the list as a sheet to write on")
    parser.add_argument("--again", action="store_true", help="start again from the first step")
    words = "ask again for the insulation with everything connected, as after a drive; the other answers stay"
    parser.add_argument("--insulation", action="store_true", help=words)
    add_store(parser)


def first_power(arguments: argparse.Namespace) -> int:
    """Ask step by step, keep every reading at once, and go on where an earlier call ended.

    Raises:
        InputError: fit says stop.

    """
    from telemetry.machine.first_power_insulation import CONNECTED
    from telemetry.machine.first_power_steps import STEPS, stated_answers
    from telemetry.machine.fit import require_no_stop
    from telemetry.machine.machine_file import load_machine
    from telemetry.report.first_power_text import head_lines, sheet_lines, summary_lines

    machine = load_machine(arguments.machine)
    if arguments.sheet:
        say("\n".join(sheet_lines(STEPS, machine, stated_answers(machine))))
        return 0
    from telemetry.store.ledger import Ledger

    require_no_stop(machine, arguments.machine, "first power")
    store = store_path(arguments)
    with Ledger.open(store) as ledger:
        run = _begun(ledger, machine, arguments.again)
        run.resume = f"shakedown first-power {shlex.quote(str(arguments.machine))}"
        run.resume += f" --store {shlex.quote(str(arguments.store))}" if arguments.store else ""
        if arguments.insulation:
            run.withdraw(step for step in STEPS if step.name.endswith(CONNECTED))
        say("\n".join(head_lines(machine)))
        say("Type a reading or an answer; ? for help, skip, back (a step), later (leave).")
        if run.readings:
            say("\n".join(["", "So far:", *summary_lines(STEPS, machine, run.readings)]))
        while (number := run.next_step()) is not None:
            status = run.ask(number)
            if status is not None:
                return status
        withheld = any(step.is_withheld(machine) for step in STEPS)
        done = "A licensed person has to do the rest before power:" if withheld else "All steps are done:"
        say("\n".join(["", done, *summary_lines(STEPS, machine, run.readings)]))
        say(f"Kept as session {run.session}.")
    return int(withheld)


def _begun(ledger: Ledger, machine: Machine, again: bool) -> _Run:
    """Return the list to go on with, and its last reading for each step."""
    from telemetry.machine.first_power_steps import stated_answers
    from telemetry.model.clock import SystemClock
    from telemetry.model.errors import printable
    from telemetry.runs.first_power_progress import amounts_of, kept_readings

    readings = stated_answers(machine)
    session = None if again else ledger.latest(machine.name)
    if session is None:
        return _Run(ledger, ledger.begin(machine.name, machine.text, SystemClock().now()), machine, readings)
    if ledger.machine_text(session) != machine.text:
        say("The machine file has changed since the list was begun; earlier readings are judged by it as it is now.")
    kept, gone = kept_readings(ledger.entries(session))
    if gone:
        say(
            f"Ignored, because the list no longer has these steps: {', '.join(printable(name, 40) for name in gone)}."
        )
    return _Run(ledger, session, machine, amounts_of(kept) | readings)


@dataclass
class _Run:
    """The list as it is gone through.

    Attributes:
        ledger, session: where readings are kept.
        machine: what they are judged by.
        readings: as far as known, by the step's name.
        resume: the command that goes on.

    """

    ledger: Ledger
    session: int
    machine: Machine
    readings: dict[str, float]
    resume: str = ""

    def next_step(self) -> int | None:
        """Return the number of the first step without a reading that lets the list go on; None at the end."""
        from telemetry.runs.first_power_progress import next_step

        return next_step(self.machine, self.readings)

    def ask(self, number: int) -> int | None:
        """Ask one step's reading and keep it; return the exit status where the list ends here, else None."""
        from telemetry.machine.first_power_steps import STEPS
        from telemetry.model.errors import InputError
        from telemetry.report.first_power_text import judgement_lines, step_lines

        step, count = STEPS[number - 1], len(STEPS)
        say("\n".join(step_lines(number, count, step, self.machine, self.readings)))
        left = f"The list stops at step {number} of {count}. Session {self.session} keeps the readings before it."
        try:
            typed = _reading(step)
        except KeyboardInterrupt:
            say("\n")
            self._say_how_to_go_on(left)
            return 130
        except EOFError:
            raise InputError(f"the answers ended. {left} Go on with: {self.resume}") from None
        if typed == "later":
            self._say_how_to_go_on(left)
            return 0
        if typed == "back":
            self._withdraw_before(number)
            return None
        reading = math.nan if isinstance(typed, str) else typed
        found = step.judged(self.machine, self.readings, reading)
        if found.verdict != "again":
            self._keep(step, reading, "skipped" if math.isnan(reading) else ("meter" if step.unit else "answer"))
        say("\n".join(judgement_lines(found)))
        if found.verdict != "stop":
            return None
        self._say_how_to_go_on(f"Stop here. Fix it; the list then asks step {number} again.")
        return 1

    def _say_how_to_go_on(self, why: str) -> None:
        from telemetry.report.first_power_text import wrapped

        say("\n".join(["", *wrapped(why), "Go on with:", f"  {self.resume}"]))

    def _keep(self, step: Step, reading: float, method: str) -> None:
        from telemetry.model.clock import SystemClock
        from telemetry.runs.first_power_progress import PREFIX
        from telemetry.store.ledger import LedgerEntry

        self.ledger.add(
            self.session, LedgerEntry(SystemClock().now(), PREFIX + step.name, reading, step.unit, method)
        )
        self.readings[step.name] = reading

    def _withdraw_before(self, number: int) -> None:
        """Take back the reading before this step, so that it is asked again; never an answer of the machine file."""
        from telemetry.machine.first_power_steps import STEPS, stated_answers

        asked = self.readings.keys() - stated_answers(self.machine).keys()
        before = [step for step in STEPS[: number - 1] if step.name in asked]
        if not before:
            say("  There is no step before this one to go back to.")
        self.withdraw(before[-1:])

    def withdraw(self, steps: Iterable[Step]) -> None:
        """Take back the readings of these steps, so that they are asked again."""
        from telemetry.runs.first_power_progress import WITHDRAWN

        for step in steps:
            if step.name in self.readings:
                self._keep(step, math.nan, WITHDRAWN)
                del self.readings[step.name]


def _reading(step: Step) -> float | str:
    """Return what is typed: a reading, or one of the words that are none."""
    from telemetry.machine.first_power import read_answer
    from telemetry.model.keys import BadValue
    from telemetry.report.first_power_text import wrapped

    unit = f" [{step.unit or ', '.join(step.choices)}]"
    while True:
        typed = input(f"  {step.question}{unit} ").strip()
        if typed.lower() in _WORDS:
            return typed.lower()
        if typed in ("?", "help"):
            say("\n".join(wrapped(step.help, "  Help     ")))
            continue
        try:
            return read_answer(typed, step.unit, step.choices)
        except BadValue as bad:
            say("\n".join(wrapped(f"{bad.what}; {bad.right}.", "  ", "  ")))
