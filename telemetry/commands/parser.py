"""The parser of the command line: what is wrong with it is one sentence with the remedy."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

_NO_CHOICE = re.compile(
    r"argument (?P<what>[^:]+): invalid choice: (?P<given>'.*?'|\S+) \(choose from (?P<known>.*)\)"
)
_NO_VALUE = re.compile(r"argument (?P<option>--[\w-]+): expected one argument")
_MISSING = re.compile(r"the following arguments are required: (?P<what>.*)")


class Parser(argparse.ArgumentParser):
    """An argument parser whose errors are one sentence: what is wrong, what was probably meant, where help is."""

    def parse_args(self, args: Sequence[str] | None = None, namespace: Any = None) -> Any:  # type: ignore[override]
        """Return the arguments; an option or word that the command does not take ends the program with status 2."""
        parsed, unknown = self.parse_known_args(args, namespace)
        if unknown:
            parser: Parser = getattr(parsed, "parser", self)
            parser._refuse(unknown[0])
        return parsed

    def error(self, message: str) -> NoReturn:
        """Write one sentence and end with status 2."""
        plain = self._plain(message)
        sys.stderr.write(f"shakedown: {plain}{'' if plain.endswith('?') else ';'} see {self.prog} --help\n")
        sys.exit(2)

    def _refuse(self, word: str) -> NoReturn:
        command = self.prog.partition(" ")[2]
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
