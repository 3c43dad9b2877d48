"""What the commands share: options, the store's place, and how they speak."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from telemetry.model.errors import harmless
from telemetry.model.words import capital

_LONGEST_S = 1e9  # thirty years: beyond that a mistyped figure
_FASTEST = 100_000  # times real time; beyond that a mistyped figure


Command = Callable[[argparse.Namespace], int]


def add(commands: Any, name: str, run: Command, words: str, example: str) -> argparse.ArgumentParser:
    """Add a command with its one sentence of help and an example."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=words, description=capital(words) + ".", epilog=f"Example: {example}"
    )
    parser.set_defaults(run=run, parser=parser)
    return parser


def add_session(parser: argparse.ArgumentParser) -> None:
    """Add the session that a command is about."""
    parser.add_argument("session", metavar="SESSION", help="a session's number, last, or a recording file")


def add_machine(
    parser: argparse.ArgumentParser, words: str = "machine file to use; default: the one recorded with the session"
) -> None:
    """Add ``--machine``."""
    parser.add_argument("--machine", type=Path, metavar="FILE", help=words)


def add_store(parser: argparse.ArgumentParser) -> None:
    """Add ``--store``."""
    parser.add_argument(
        "--store", type=Path, metavar="FILE", help="the store; default: SHAKEDOWN_STORE, else your data folder"
    )


def add_run_options(parser: argparse.ArgumentParser) -> None:
    """Add what live and replayed runs have in common."""
    parser.add_argument(
        "--no-screen", action="store_true", help="no dashboard: print events as lines, as into a file or a pipe"
    )
    parser.add_argument("--json", action="store_true", help="print events as JSON, one object a line (no dashboard)")
    parser.add_argument("--for", dest="for_s", type=seconds, metavar="SECONDS", help="stop after this time")
    parser.add_argument("--silent", action="store_true", help="no sound, and no alarm command")
    add_screen_options(parser)
    parser.add_argument(
        "--alarm-sound",
        type=Path,
        metavar="FILE",
        help="WAV file (up to 8 s) to play at every alarm instead of the built-in sound",
    )
    parser.add_argument(
        "--alarm-command",
        metavar="COMMAND",
        help="program to run at every alarm, and again until it is acknowledged; gets priority, limit and signal as"
        " last arguments, runs without a shell, and is not waited for",
    )
    add_store(parser)


def add_screen_options(parser: argparse.ArgumentParser) -> None:
    """Add how the screen is drawn."""
    parser.add_argument(
        "--units",
        choices=("metric", "imperial"),
        default="metric",
        help="units of speed, area and temperature on the screen; what is recorded stays metric",
    )
    parser.add_argument(
        "--plain-blocks",
        action="store_true",
        help="draw traces of full and half blocks, for a font that lacks the finer ones",
    )


def require_terminal(command: str, instead: str) -> None:
    """Refuse a command that is a screen where there is no terminal to draw it on.

    Raises:
        InputError: standard input or output is no terminal.

    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        from telemetry.model.errors import InputError

        raise InputError(f"{command} needs a terminal to draw on; without one {instead}")


def add_simulated(parser: argparse.ArgumentParser) -> None:
    """Add which machine is simulated, and what is wrong with it."""
    parser.add_argument(
        "--scenario",
        default="orchard",
        metavar="NAME",
        help="simulated machine: orchard, market, orchard-charge, or varied (chosen by --seed)",
    )
    parser.add_argument(
        "--seed", type=seed, default=1, metavar="N", help="simulated machine: same number, same drive"
    )
    parser.add_argument(
        "--fault",
        metavar="NAME",
        help="fault of the simulated machine: pedal-sensor, controller, power-connection, pack-weak, bms-trip,"
        " mechanical-drag, or healthy for the same rough drive without a fault",
    )


def simulated_settings(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return the source's settings of the machine that is simulated."""
    settings = {"scenario": arguments.scenario, "seed": arguments.seed}
    return settings if arguments.fault is None else settings | {"fault": arguments.fault}


def interval(text: str) -> float:
    """Return the seconds of a length of time, such as ``200ms`` or ``1min``."""
    match = re.fullmatch(r"([\d.,]+)\s*(ms|s|min|h)?", text)
    if match is None:
        raise argparse.ArgumentTypeError(f"{text!r} is not a length of time, such as 1s, 200ms or 1min")
    return seconds(match[1]) * {"ms": 1e-3, "min": 60.0, "h": 3600.0}.get(match[2] or "s", 1.0)


def seconds(text: str) -> float:
    """Return a number of seconds above 0, as an option takes it."""
    return above_0(text, _LONGEST_S, "not a number of seconds above 0, such as 60")


def above_0(text: str, most: float, why_not: str) -> float:
    """Return a number above 0, with a decimal point or comma; ``why_not`` ends the sentence where it is none."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = 0.0
    if not 0 < value <= most:
        raise argparse.ArgumentTypeError(f"{text!r} is {why_not}")
    return value


def times_real_time(text: str) -> float | None:
    """Return how many times faster than real time, as ``--speed`` takes it; None for ``max``."""
    if text == "max":
        return None
    return above_0(text, _FASTEST, "neither 'max' nor a number above 0, such as 1 or 8")


def seed(text: str) -> int:
    """Return a whole number, as ``--seed`` takes it."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number, such as 7") from None


def store_path(arguments: argparse.Namespace) -> Path:
    """Return where the store is."""
    from telemetry.store.place import default_store_path

    store: Path | None = arguments.store
    return default_store_path() if store is None else store


def _has_terminal() -> bool:
    """Return whether anybody would see a screen: it is drawn on the error stream, and a pipe would stall the run."""
    return sys.stdout.isatty() and sys.stderr.isatty()


def run_options(
    arguments: argparse.Namespace, record: bool, capture: Path | None = None, every: float | None = None
) -> Any:
    """Return what the user asked of a run."""
    from telemetry.runs.options import RunOptions

    sound, command = _owner_sound(arguments)
    return RunOptions(
        store=store_path(arguments) if record else None,
        sessions=store_path(arguments),
        screen=not (arguments.no_screen or arguments.json) and _has_terminal(),
        as_json=arguments.json,
        values_every_s=every,
        for_s=arguments.for_s,
        silent=arguments.silent,
        units=arguments.units,
        plain_blocks=arguments.plain_blocks,
        alarm_sound=sound,
        alarm_command=command,
        capture=capture,
    )


def _owner_sound(arguments: argparse.Namespace) -> tuple[Path | None, tuple[str, ...]]:
    """Return the sound file and the program that an alarm is to be heard by, found good."""
    if arguments.alarm_sound is None and arguments.alarm_command is None:
        return None, ()
    from telemetry.screen.players import checked_command, checked_sound

    sound = None if arguments.alarm_sound is None else checked_sound(arguments.alarm_sound)
    return sound, () if arguments.alarm_command is None else checked_command(arguments.alarm_command)


def as_json(value: object) -> str:
    """Return ``value`` as JSON text."""
    import json

    return json.dumps(value, indent=1, allow_nan=False)


def say(text: str) -> None:
    """Write to standard output, unless there is nothing to say."""
    if text:
        sys.stdout.write(harmless(text) + "\n")


def takes_colour() -> bool:
    """Return whether standard output is a terminal whose reader did not turn colours off."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def warn(*texts: str) -> None:
    """Write warnings to standard error, a line each."""
    for text in texts:
        sys.stderr.write(f"warning: {harmless(text)}\n")
