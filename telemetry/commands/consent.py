"""Asks once before a machine file sends anything: requests, which can switch a device, or values to a broker."""

from __future__ import annotations

import sys
from pathlib import Path

from telemetry.driver import Sends
from telemetry.machine.sections import Machine
from telemetry.model.errors import InputError, harmless, printable
from telemetry.pipeline.registry import load_driver, with_paths
from telemetry.runs.found_good import FoundGood, digest_of


def agree_to_sending(machine: Machine, *, yes: bool, ask: bool) -> None:
    """Return once the operator agrees to what the machine file sends; at once where it sends nothing.

    The answer is kept for this file and these bytes: another file, or another frame map, asks again.

    Args:
        machine: found good by its drivers.
        yes: agreed already, by ``--yes``.
        ask: whether there is a terminal to ask on; a screen takes it.

    Raises:
        InputError: the operator does not agree, or nobody is there to be asked.

    """
    requests, brokers = requests_of(machine), brokers_of(machine)
    if not requests and not brokers:
        return
    digest, agreed = digest_of(machine.text, *requests), FoundGood("agreed-requests.txt")
    if agreed.name_of(digest) is not None:
        return
    file = printable(machine.file, 200)
    if not yes and not ask:
        raise InputError(f"{file} no longer sends what you agreed to; start again to be asked")
    if not yes:
        if requests:
            _show(f"{file} sends these bytes to your devices, again and again:", requests)
        if brokers:
            _show(f"{file} publishes what it measures, places included, to these brokers:", brokers)
        what = "requests" if requests else "values to a broker"
        if not sys.stdin.isatty():
            raise InputError(f"{file} sends {what}, and nobody is at a terminal to agree; check them and add --yes")
        if requests:
            sys.stderr.write(
                "A request can change a device. Agree only if its maker documents them, or you know them.\n"
            )
        if not typed_yes(what):
            where = "the requests from the frame map of" if requests else "[[publish]] from"
            raise InputError(f"nothing was sent; remove {where} {file}, or agree")
    agreed.add(digest, machine.name)


def typed_yes(what: str) -> bool:
    """Ask whether ``what`` may be sent; return whether the operator typed yes.

    Raises:
        InputError: nobody is at a terminal to be asked.

    """
    if not sys.stdin.isatty():
        raise InputError(f"nobody is at a terminal to agree to {what}; check them and add --yes")
    sys.stderr.write("Send them? Type yes, or press Enter for no: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _show(head: str, lines: list[str]) -> None:
    sys.stderr.write("".join(f"{line}\n" for line in (head, *(f"  {harmless(each)}" for each in lines))))


def brokers_of(machine: Machine) -> list[str]:
    """Return where each ``[[publish]]`` sends to: the broker, and what its topics begin with."""
    return [f"{each.broker}, port {each.address[1]}: {each.topic_for(machine.name)}/..." for each in machine.publish]


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
