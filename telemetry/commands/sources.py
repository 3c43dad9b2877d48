"""What is in reach, and what a frame map makes of captured bytes."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from telemetry.commands.options import add, as_json, say, warn


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    _add_sources(commands)
    _add_decode_check(commands)


def _add_sources(commands: Any) -> None:
    words = "list ports and devices in reach, ready to paste into a machine file"
    parser = add(commands, "sources", sources, words, "shakedown sources")
    parser.add_argument("--json", action="store_true", help="print a JSON list")


def _add_decode_check(commands: Any) -> None:
    words = "decode captured bytes with a frame map, and show each frame with what was understood"
    parser = add(commands, "decode-check", decode_check, words, "shakedown decode-check pack.toml bytes.txt")
    parser.add_argument("map", type=Path, metavar="MAP", help="the frame map")
    parser.add_argument("capture", type=Path, metavar="CAPTURE", help="a file made by watch --capture")
    parser.add_argument("--source", metavar="NAME", help="source of the capture to decode; default: the first")


def sources(arguments: argparse.Namespace) -> int:
    """List what is in reach."""
    from telemetry.discover import source_lines, sources_in_reach

    found, reasons = sources_in_reach()
    for reason in reasons:
        warn(reason)
    say(as_json(found) if arguments.json else "\n".join(source_lines(found) or ["nothing in reach"]))
    return 0


def decode_check(arguments: argparse.Namespace) -> int:
    """Say what a frame map makes of captured bytes."""
    from telemetry.pipeline.registry import load_driver

    for line in load_driver("serial-frames").check_capture(arguments.map, arguments.capture, arguments.source):
        say(line)
    return 0
