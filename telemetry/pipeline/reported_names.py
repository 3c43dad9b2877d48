"""The names of faults that a source's own description has, joined with those that the owner states."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from telemetry.driver import NamesFaults
from telemetry.machine.fault_codes import fault_codes_text
from telemetry.machine.machine_file import Machine, parse_machine
from telemetry.model.errors import InputError
from telemetry.model.fault_names import FaultNames
from telemetry.pipeline.registry import load_driver, with_paths

_ORIGIN = "# Names of faults from the message catalogues, as they were when this file was read."


def with_reported_names(machine: Machine) -> Machine:
    """Return the machine with what its sources' catalogues call a fault; where the owner names a signal, he decides.

    The names go into the machine file's text too, so that a session is judged by them wherever it is read. A
    catalogue that cannot be read names nothing.
    """
    found: dict[str, FaultNames] = {}
    for source in machine.sources:
        try:
            driver = load_driver(source.driver)
            if isinstance(driver, NamesFaults):
                settings = with_paths(source.driver, source.settings, Path(machine.file).parent)
                found = {**driver.fault_names(settings), **found}
        except InputError:
            continue
    found = {signal: names for signal, names in found.items() if signal not in machine.fault_codes}
    if not found:
        return machine
    joined, _ = parse_machine(f"{machine.text.rstrip()}\n\n{_ORIGIN}\n{fault_codes_text(found)}", machine.file)
    return joined or replace(machine, fault_codes={**machine.fault_codes, **found})
