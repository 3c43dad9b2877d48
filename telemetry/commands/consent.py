"""Asks once before a machine file's frame map sends anything to a device: a request can switch a device, too."""

from __future__ import annotations

import sys
from pathlib import Path

from telemetry.driver import Sends
from telemetry.machine.sections import Machine
from telemetry.model.errors import InputError, harmless, printable
from telemetry.pipeline.registry import load_driver, with_paths
from telemetry.runs.found_good import FoundGood, digest_of


def agree_to_requests(machine: Machine, *, yes: bool, ask: bool) -> None:
    """Return once the operator agrees to what the machine file sends; at once where it sends nothing.

    The answer is kept for these sources and these bytes: another file, or another frame map, asks again.

    Args:
        machine: found good by its drivers.
        yes: agreed already, by ``--yes``.
        ask: whether there is a terminal to ask on; a screen takes it.

    Raises:
        InputError: the operator does not agree, or nobody is there to be asked.

    """
    requests = requests_of(machine)
    if not requests:
        return
    digest, agreed = digest_of(machine.text, *requests), FoundGood("agreed-requests.txt")
    if agreed.name_of(digest) is not None:
        return
    file = printable(machine.file, 200)
    if not yes and not ask:
        raise InputError(f"{file} sends other requests than you agreed to; start again to be asked")
    if not yes:
        sent = "\n".join(f"  {harmless(line)}" for line in requests)
        sys.stderr.write(f"{file} sends these bytes to your devices, again and again:\n{sent}\n")
        if not sys.stdin.isatty():
            raise InputError(f"{file} sends requests, and nobody is at a terminal to agree; check them and add --yes")
        sys.stderr.write(
            "A request can change a device. Agree only if its maker documents them, or you know them.\n"
            "Send them? Type yes, or press Enter for no: "
        )
        sys.stderr.flush()
        if sys.stdin.readline().strip().lower() not in ("y", "yes"):
            raise InputError(f"nothing was sent; remove the requests from the frame map of {file}, or agree to them")
    agreed.add(digest, machine.name)


def requests_of(machine: Machine) -> list[str]:
    """Return what each source sends, a line a request: its name, and the bytes in hexadecimal."""
    folder = Path(machine.file).parent
    found = []
    for source in machine.sources:
        driver = load_driver(source.driver)
        if isinstance(driver, Sends):
            settings = with_paths(source.driver, source.settings_for_driver, folder)
            found += [f"{source.name}: {data.hex(' ').upper()}" for data in driver.requests(settings)]
    return list(dict.fromkeys(found))
