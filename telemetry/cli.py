"""The command ``shakedown``: its parser and how it ends; the commands themselves are in :mod:`telemetry.commands`."""

from __future__ import annotations

import argparse
import errno
import io
import os
import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, NoReturn

from telemetry.commands import (
    alarms,
    check,
    drive,
    driving,
    export,
    first_power,
    fit,
    imports,
    isolate,
    machine,
    report,
    sessions,
    shell,
    sources,
    start,
)

_NO_CHOICE = re.compile(
    r"argument (?P<what>[^:]+): invalid choice: (?P<given>'.*?'|\S+) \(choose from (?P<known>.*)\)"
)
_NO_VALUE = re.compile(r"argument (?P<option>--[\w-]+): expected one argument")
_MISSING = re.compile(r"the following arguments are required: (?P<what>.*)")
INTERNAL_ERROR = 70
"""Exit status for a mistake of the program itself; EX_SOFTWARE of BSD's sysexits.h."""
EPILOG = (
    "While the machine moves, watch the course, not the screen. This program only watches: it switches nothing and "
    "replaces no fuse, no interlock and no BMS."
)
COMMANDS = (
    driving,
    sources,
    check,
    sessions,
    imports,
    export,
    report,
    alarms,
    isolate,
    machine,
    fit,
    first_power,
    drive,
    shell,
)
"""In the order in which ``--help`` shows them."""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = Parser(
        prog="shakedown",
        description="Watches and records a traction battery pack while you test-drive your conversion.",
        epilog=EPILOG,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and exit")
    parser.set_defaults(root=parser)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for each in COMMANDS:
        each.add_to(commands)
    return parser


class _Version(argparse.Action):
    """Prints the version; it is looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from importlib.metadata import version

        sys.stdout.write(f"shakedown {version('shakedown')}\n")
        parser.exit()


def _print_what_the_terminal_can() -> None:
    """Let a sign that the terminal's character set lacks come out as a question mark, not as a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status.

    0 done, 1 bad answer, 2 bad input, 3 link or store trouble, 70 a mistake of ours, 130 ended by Ctrl-C.
    """
    # Many small systems are solved: several threads for each would wait for one another. Has to come before numpy.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _print_what_the_terminal_can()
    words = sys.argv[1:] if arguments is None else list(arguments)
    parsed = start.parsed_start() if not words and start.has_terminal() else build_parser().parse_args(words)
    from telemetry.model.errors import ShakedownError
    from telemetry.runs.log_file import keep_libraries_off_the_terminal

    keep_libraries_off_the_terminal()

    try:
        status: int = parsed.run(parsed)
        _flush_output()
    except ShakedownError as error:
        _say_why(str(error))
        return error.exit_status
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # the reader of a pipe has gone; nothing more can be said there
        return 0
    except Exception as error:
        if _is_full_output(error):
            status, sentence = 3, _FULL
        else:
            status, sentence = _refused(error) or (INTERNAL_ERROR, _internal_error(error))
        _say_why(sentence)
    finally:
        _let_go_of_output()
    return status


def _flush_output() -> None:
    """Write what standard output still holds, unless its terminal has gone; a pipe or a disk may say why not."""
    try:
        sys.stdout.flush()
    except OSError as error:
        if error.errno != errno.EIO:
            raise


def _say_why(sentence: str) -> None:
    """Write the one sentence to standard error, if that can be written to."""
    with suppress(OSError, ValueError):
        sys.stderr.write(f"shakedown: {sentence}\n")


def _let_go_of_output() -> None:
    """Throw away what can no longer be written; else the interpreter tries as it ends and changes the status."""
    for stream in filter(None, (sys.__stdout__, sys.__stderr__)):
        try:
            stream.flush()
        except (OSError, ValueError):
            with suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


_FULL = "the disk is full, so the output cannot be written; free some space, or send it elsewhere"


def _is_full_output(error: Exception) -> bool:
    """Return whether standard output goes to a disk that is full."""
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT) and not error.filename


_REFUSALS = (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENAMETOOLONG, errno.ELOOP, errno.ENOTDIR)


def _refused(error: Exception) -> tuple[int, str] | None:
    """Return exit status and sentence where the system does not let us at a file; None for anything else."""
    from telemetry.model.errors import InputError, printable

    if not isinstance(error, OSError) or error.errno not in _REFUSALS or not error.filename:
        return None
    what = f"{printable(error.filename, 200)}: the system does not open it: {error.strerror}"
    return InputError.exit_status, f"{what}; check the name, and that you may use the file and its folder"


def _internal_error(error: Exception) -> str:
    """Keep the traceback in the log file and return the sentence that says so."""
    from telemetry.model.errors import printable
    from telemetry.runs.log_file import keep_traceback

    path = keep_traceback(error)
    where = "no log file could be written" if path is None else f"the details are in {printable(path, 300)}"
    return f"internal error ({type(error).__name__}); {where}; please report it with that file and what you typed"


class Parser(argparse.ArgumentParser):
    """An argument parser whose errors are one sentence: what is wrong, what was probably meant, where help is."""

    def parse_args(self, args: Sequence[str] | None = None, namespace: Any = None) -> Any:  # type: ignore[override]
        """Return the arguments; an option or word that the command does not take ends the program with status 2."""
        parsed, unknown = self.parse_known_args(args, namespace)
        if unknown:
            parser: Parser = getattr(parsed, "parser", self)
            parser._refuse(unknown[0])
        return parsed

    def parse_known_args(self, args: Sequence[str] | None = None, namespace: Any = None) -> Any:  # type: ignore[override]
        """Keep what was typed, for an option that nobody knows outranks what is missing; else as argparse does."""
        self._typed = list(sys.argv[1:] if args is None else args)
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        """Write one sentence and end with status 2."""
        if _MISSING.fullmatch(message) and (unknown := self._unknown_option()):
            self._typed = []
            self._refuse(unknown)
        plain = self._plain(message)
        sys.stderr.write(f"shakedown: {plain}{'' if plain.endswith('?') else ';'} see {self.prog} --help\n")
        sys.exit(2)

    def _unknown_option(self) -> str:
        """Return the first typed option that this command does not have, nor as a beginning; empty for none."""
        options = [option for action in self._actions for option in action.option_strings]
        for word in self._typed:
            name = word.partition("=")[0]
            if word == "--":
                break
            if name.startswith("--") and not any(option.startswith(name) for option in options):
                return word
        return ""

    def _refuse(self, word: str) -> NoReturn:
        command = self.prog.partition(" ")[2] or self.prog
        if not word.startswith("-"):
            self.error(f"{word!r} is one word too many for {command}")
        options = [option for action in self._actions for option in action.option_strings]
        self.error(f"{command} has no option {word.partition('=')[0]}{_meant(word.partition('=')[0], options)}")

    def _plain(self, message: str) -> str:
        if found := _NO_CHOICE.fullmatch(message):
            given, known = found["given"].strip("'"), re.findall(r"[\w-]+", found["known"])
            if found["what"] == "COMMAND":
                return f"there is no command {given}{_meant(given, known)}"
            return f"{found['what']} takes {' or '.join(known)}, not {given}"
        if found := _NO_VALUE.fullmatch(message):
            return f"{found['option']} needs a value after it"
        if found := _MISSING.fullmatch(message):
            return f"{found['what']} is missing"
        return message.removeprefix("argument ")


def _meant(given: str, known: Sequence[str]) -> str:
    from telemetry.model.errors import nearest

    near = nearest(given, known, 1)
    return f"; did you mean {near[0]}?" if near else ""


if __name__ == "__main__":
    sys.exit(main())
