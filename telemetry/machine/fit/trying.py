"""What if: one or more keys of a machine file with another value, read and checked as if the file said so."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from copy import deepcopy
from typing import Any

from telemetry.machine.machine_file import read_tables
from telemetry.machine.sections import PLAIN_SECTIONS, Machine, find_key, homes_of, section_keys
from telemetry.model.errors import InputError, MachineFileError, nearest, printable
from telemetry.model.keys import meant

OPTION = "--try"
_ONE_OF_TWO = {"conductor_mm2": "conductor_awg", "conductor_awg": "conductor_mm2"}


def tried(machine: Machine, changes: Sequence[str]) -> tuple[Machine, dict[str, object]]:
    """Return ``machine`` with the changes made, and each change by ``section.key``.

    Args:
        machine: as read from a file; its text is read again.
        changes: ``key=value`` or ``section.key=value``; the value as people write it, its unit behind it.

    Raises:
        InputError: no such key, no value, or a key of several sections without its section.
        MachineFileError: what the reader of machine files finds wrong with the values.

    """
    tables: dict[str, Any] = deepcopy(tomllib.loads(machine.text))
    made: dict[str, object] = {}
    for change in changes:
        section, name, said = _parted(change)
        key = find_key(section.partition(".")[0], name)
        value = meant(key, said)
        table = tables
        for part in section.split(".", 1):
            table = table.setdefault(part, {})
        if section.endswith("wiring"):
            table.pop(_ONE_OF_TWO.get(name, ""), None)  # one cable has one size: the tried one
        table[name] = made[f"{section}.{name}"] = said if value is None else value
    changed, problems = read_tables(tables, machine.text, machine.file, shown=OPTION)
    if changed is None:
        raise MachineFileError(OPTION, problems)
    return changed, made


def _parted(change: str) -> tuple[str, str, str]:
    """Return section, key and value of ``section.key=value``; a key of one section needs no section."""
    place, equals, said = change.partition("=")
    if not equals or not said.strip():
        raise InputError(f'{OPTION} "{printable(change)}" gives no value; write {OPTION} fuse_a=150, say')
    section, _, name = place.strip().rpartition(".")
    homes = [each for each in homes_of(name) if each in PLAIN_SECTIONS]
    if not section:
        if not homes:
            near = nearest(name.lower(), [key.name for each in PLAIN_SECTIONS for key in section_keys(each)], 1)
            right = f"did you mean {near[0]}?" if near else "docs/machine-file.md lists the keys"
            raise InputError(f"{OPTION} {printable(name)} is an unknown key; {right}")
        # The cable to the controller is meant unless the charger's is named.
        first = "wiring" if "wiring" in homes else homes[0]
        if len(homes) > 1 and first != "wiring":
            both = " or ".join(f"{each}.{name}" for each in homes)
            raise InputError(f"{OPTION} {printable(name)} is a key of {len(homes)} sections; write {both}")
        return first, name, said
    known_section = section in PLAIN_SECTIONS and section in homes
    limit = section.startswith("limits.") and any(key.name == name for key in section_keys("limits"))
    if not known_section and not limit:
        right = f"write {homes[0]}.{name}" if homes else "docs/machine-file.md lists the keys"
        raise InputError(f"{OPTION} {printable(place.strip())} is an unknown key; {right}")
    return section, name, said
