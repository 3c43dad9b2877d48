"""What the shell and its manual know of this program, made from the parser."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import Any

from telemetry.commands.options import add, say

_WORDS = re.compile(r"^\.(?![A-Z]{1,2}\b|(?:nf|fi|br)\b)", re.MULTILINE)
"""A full stop that begins a line and no macro: a file's ending, say."""
SHELLS = ("bash", "zsh", "fish")


def add_to(commands: Any) -> None:
    """Add these commands to the command line."""
    words = "print what completes commands, options and file names when you press tab in your shell"
    parser = add(commands, "completion", completion, words, "shakedown completion bash > shakedown.bash")
    parser.add_argument("shell", choices=SHELLS, metavar="SHELL", help="bash, zsh or fish")
    words = "print the manual page of all commands, for man"
    parser = add(commands, "manual", manual, words, "shakedown manual --out shakedown.1")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write it there instead of printing it")
    parser.add_argument("--replace", action="store_true", help="replace the file if it exists")


def completion(arguments: argparse.Namespace) -> int:
    """Print the completions of a shell."""
    import shtab

    for parser in _all_parsers(arguments.root):
        for action in parser._actions:
            if action.type is Path:
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    say(shtab.complete(arguments.root, arguments.shell))
    return 0


def manual(arguments: argparse.Namespace) -> int:
    """Print the manual page, or write it."""
    from importlib.metadata import version

    from argparse_manpage.manpage import Manpage

    from telemetry.model.whole_file import write_whole

    root = arguments.root
    what = root.description[0].lower() + root.description[1:].rstrip(".")
    data = {"version": version("shakedown"), "manual_title": "Shakedown", "description": what}
    page = _WORDS.sub(r"\\&.", str(Manpage(root, _data=data)))
    if arguments.out is None:
        say(page)
        return 0
    write_whole(arguments.out, page, arguments.replace)
    say(f"written to {arguments.out}; read it with: man ./{arguments.out.name}")
    return 0


def _all_parsers(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    found = [parser]
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for each in dict.fromkeys(action.choices.values()):
                found += _all_parsers(each)
    return found
