"""What is in reach, and what a frame map makes of captured bytes."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import add, as_json, say, warn
from telemetry.model.errors import InputError
from telemetry.model.toml_text import toml_value

if TYPE_CHECKING:
    from telemetry.driver import Heard

LISTEN_S = 2.5
"""At each place and rate: two lines of what sends once a second. Ours."""
KEEP_S = 120.0
OPENING = (
    "nothing is sent; but Linux and macOS raise a serial port's control lines for a moment when it is opened, and"
    " some boards restart then: get the wheels off the ground first"
)

ASKING = (
    "this sends Modbus reads (function 3, the SunSpec marker, units 1 to 3) to each place you named; a device that"
    " speaks something else may take them for a command: name only what you know to speak Modbus, and get the wheels"
    " off the ground"
)


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    _add_sources(commands)
    _add_decode_check(commands)


def _add_sources(commands: Any) -> None:
    words = "list ports and devices in reach, ready to paste into a machine file"
    parser = add(commands, "sources", sources, words, "shakedown sources")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--try",
        dest="listen",
        nargs="*",
        metavar="PLACE",
        help="listen at each place in reach, or at those named, and say what speaks there; nothing is sent",
    )
    parser.add_argument(
        "--capture",
        type=Path,
        metavar="FILE",
        help="with --try: keep two minutes of bytes from ports that speak, for decode-check --guess",
    )
    parser.add_argument(
        "--ask",
        nargs="+",
        metavar="PLACE",
        help="ask at these ports or hosts whether a device speaks Modbus; it sends reads, after you agree",
    )
    parser.add_argument("--yes", action="store_true", help="with --ask: agree to the reads; for scripts")
    parser.add_argument(
        "--settings", metavar="DRIVER", help="list the settings of a [[source]] of that driver instead"
    )


def _add_decode_check(commands: Any) -> None:
    words = "decode captured bytes with a frame map, and show each frame; or propose a map for unknown bytes"
    parser = add(commands, "decode-check", decode_check, words, "shakedown decode-check pack.toml bytes.txt")
    parser.add_argument("map", type=Path, metavar="MAP", nargs="?", help="the frame map; not with --guess")
    parser.add_argument("capture", type=Path, metavar="CAPTURE", help="a file made by watch --capture")
    parser.add_argument("--guess", action="store_true", help="propose a frame map, from the bytes and the readings")
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="SIGNAL=VALUE[@S]",
        help="with --guess: what a meter showed, S seconds into the capture, or throughout it; may be repeated",
    )
    parser.add_argument("--source", metavar="NAME", help="source of the capture to decode; default: the first")


def sources(arguments: argparse.Namespace) -> int:
    """List what is in reach, or what a driver's source takes."""
    if arguments.settings is not None:
        say("\n".join(_setting_lines(arguments.settings)))
        return 0
    from telemetry.driver import Listening
    from telemetry.runs.discover import (
        answered_at,
        heard_in_reach,
        keep_heard,
        source_lines,
        sources_in_reach,
    )

    if arguments.ask is not None:
        from telemetry.commands.consent import typed_yes

        warn(ASKING)
        if not arguments.yes and not typed_yes("these reads"):
            raise InputError("nothing was sent; look for the device's make and its manual instead")
        _say_heard(answered_at(arguments.ask), arguments.json)
        return 0
    if arguments.listen is not None:
        warn(OPENING)
        if arguments.capture is not None and arguments.capture.exists():
            raise InputError(f"{arguments.capture} exists; choose another name")
        how = Listening(LISTEN_S, arguments.listen, KEEP_S if arguments.capture is not None else 0.0)
        heard, reasons = heard_in_reach(how)
        warn(*reasons)
        if arguments.capture is not None:
            keep_heard(heard, arguments.capture)
        _say_heard(heard, arguments.json)
        return 0
    found, reasons = sources_in_reach()
    warn(*reasons)
    say(as_json(found) if arguments.json else "\n".join(source_lines(found) or ["nothing in reach"]))
    return 0


def _say_heard(heard: Sequence[Heard], in_json: bool) -> None:
    from telemetry.runs.discover import heard_lines

    plain = [{"place": h.place, "speaks": h.speaks, "settings": h.settings, "values": h.values} for h in heard]
    say(as_json(plain) if in_json else "\n".join(heard_lines(heard) or ["nothing in reach"]))


def decode_check(arguments: argparse.Namespace) -> int:
    """Say what a frame map makes of captured bytes, or propose one."""
    from telemetry.driver import ChecksCaptures
    from telemetry.pipeline.registry import driver_for

    _, driver = driver_for(ChecksCaptures)
    if arguments.guess == (arguments.map is not None) or (arguments.reading and not arguments.guess):
        raise InputError("name a frame map, or let one be proposed: decode-check --guess CAPTURE --reading ...")
    lines = (
        driver.guess_map(arguments.capture, arguments.reading, arguments.source)
        if arguments.guess
        else driver.check_capture(arguments.map, arguments.capture, arguments.source)
    )
    for line in lines:
        say(line)
    return 0


def _setting_lines(driver: str) -> list[str]:
    """Return the keys of a driver's own, each with what it takes, what it is and where an owner finds it."""
    from telemetry.driver import Declares
    from telemetry.model.keys import keys_of
    from telemetry.pipeline.registry import load_driver

    cls = load_driver(driver)
    lines = []
    for key in keys_of(cls.table) if isinstance(cls, Declares) else ():
        default = f"; default {toml_value(key.default)}" if key.has_default else ""
        said = [f"{key.takes}{default}", key.meaning, f"find it: {key.find}"]
        lines.append(f"{key.name}{' (required)' if key.required else ''}")
        for each in said:
            indented = textwrap.wrap(each, 75, break_on_hyphens=False)
            lines += [f"    {line}" for line in indented]
    return lines or [f"{driver} has no settings of its own"]
