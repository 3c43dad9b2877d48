"""How far the first power of a machine has come: readings kept in the ledger, and the step that is next."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from telemetry.machine.first_power import Readings
from telemetry.machine.first_power_steps import STEPS, stated_answers
from telemetry.machine.sections import Machine
from telemetry.store.ledger import Ledger, LedgerEntry

PREFIX = "first-power "
WITHDRAWN = "withdrawn"


def kept_readings(entries: Iterable[LedgerEntry]) -> tuple[dict[str, LedgerEntry], list[str]]:
    """Return the last reading of each step, and the names of steps that the list no longer has."""
    names, gone = {step.name for step in STEPS}, dict[str, None]()
    readings: dict[str, LedgerEntry] = {}
    for entry in entries:
        name = entry.entry.removeprefix(PREFIX)
        if name == entry.entry:
            continue
        if name not in names:
            gone[name] = None
        elif entry.method == WITHDRAWN:
            readings.pop(name, None)
        else:
            readings[name] = entry
    return readings, list(gone)


def next_step(machine: Machine, readings: Readings) -> int | None:
    """Return the number of the first step without a reading that lets the list go on; None at the end."""
    for number, step in enumerate(STEPS, start=1):
        if step.is_withheld(machine) or step.why_not(machine, readings):
            continue
        reading = readings.get(step.name)
        if reading is None or step.judged(machine, readings, reading).verdict in ("stop", "again"):
            return number
    return None


def amounts_of(kept: Mapping[str, LedgerEntry]) -> dict[str, float]:
    """Return readings as steps judge them."""
    return {name: entry.amount for name, entry in kept.items()}


def first_power_readings(machine: Machine, store: Path) -> dict[str, LedgerEntry]:
    """Return the last reading of each step of the latest list of ``machine``; empty where none was begun.

    Raises:
        StoreError: the store cannot be read.

    """
    if not store.exists():
        return {}
    with Ledger.open(store) as ledger:
        session = ledger.latest(machine.name)
        return {} if session is None else kept_readings(ledger.entries(session))[0]


@dataclass(frozen=True)
class Progress:
    """How far the list has come.

    Attributes:
        done, skipped, total: steps with a reading, steps left out, and steps that apply to this machine.
        number, title: of the next step; 0 and empty at the end.
        is_begun: whether anything was entered.
        is_ready: whether all is done that comes before driving.
        is_withheld: whether a licensed person has to do some of it.

    """

    done: int
    skipped: int
    total: int
    number: int
    title: str
    is_begun: bool
    is_ready: bool
    is_withheld: bool

    @property
    def words(self) -> str:
        """How many steps are done, and how many were skipped."""
        return f"{self.done} of {self.total} steps done" + (f", {self.skipped} skipped" if self.skipped else "")


def progress(machine: Machine, store: Path) -> Progress:
    """Return how far the first power of ``machine`` has come.

    Raises:
        StoreError: the store cannot be read.

    """
    kept = first_power_readings(machine, store)
    readings = amounts_of(kept) | stated_answers(machine)
    apply = [step for step in STEPS if not step.is_withheld(machine) and not step.why_not(machine, readings)]
    number = next_step(machine, readings)
    return Progress(
        sum(not math.isnan(readings.get(step.name, math.nan)) for step in apply),
        sum(math.isnan(readings.get(step.name, 0.0)) for step in apply),
        len(apply),
        number or 0,
        STEPS[number - 1].title if number else "",
        bool(kept),
        bool(kept) and (number is None or STEPS[number - 1].afterwards),
        any(step.is_withheld(machine) for step in STEPS),
    )
