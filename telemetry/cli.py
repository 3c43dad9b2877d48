"""The command ``shakedown``: its parser and how it ends; the commands themselves are in :mod:`telemetry.commands`."""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Sequence

from telemetry.commands import alarms, driving, first_power, fit, isolate, machine, report, sessions, sources

EPILOG = (
    "Watch the course and not the screen while the machine moves. This program only listens: it switches nothing and "
    "replaces no fuse, interlock or protection of the pack."
)
COMMANDS = (
    driving,
    sources,
    sessions,
    report,
    alarms,
    isolate,
    machine,
    fit,
    first_power,
)
"""In the order in which ``--help`` shows them."""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = argparse.ArgumentParser(
        prog="shakedown",
        description="Watches, records and judges a traction battery pack while you test-drive your conversion.",
        epilog=EPILOG,
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for each in COMMANDS:
        each.add_to(commands)
    return parser


def _print_what_the_terminal_can() -> None:
    """Let a sign that the terminal's character set lacks come out as a question mark, not as a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status: 0 done, 1 bad answer, 2 bad input, 3 link or store trouble."""
    _print_what_the_terminal_can()
    parsed = build_parser().parse_args(arguments)
    from telemetry.model.errors import ShakedownError

    try:
        status: int = parsed.run(parsed)
        sys.stdout.flush()
    except ShakedownError as error:
        sys.stderr.write(f"shakedown: {error}\n")
        return error.exit_status
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # the reader of a pipe has gone; nothing more can be said there
        sys.stderr.close()
        return 0
    return status


if __name__ == "__main__":
    sys.exit(main())
