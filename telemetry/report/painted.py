"""The colours of a text report in a terminal: badges and bars in the colours of their level.

They come last, on text that is harmless already, so that no name out of a file can steer the terminal. The sixteen
colours of ECMA-48 look as the reader has set them, on a dark ground and on a light one.
"""

from __future__ import annotations

import re

_BADGES = {"■": "1;97;41", "▲": "1;30;43", "●": "30;42", "?": "7"}
_BARS = {"■": "31", "▲": "33", "●": "32"}
_VERDICT = re.compile(r"^([■▲●?] [A-Z ]+)(?=:)")
_ROW = re.compile(r"^([■▲●?])( .*? )([█▌░]*)(│)(█*)$")


def painted(text: str) -> str:
    """Return the lines of a report with badges and bars in colour; every other line as it is."""
    return "\n".join(_line(line) for line in text.split("\n"))


def _line(line: str) -> str:
    if verdict := _VERDICT.match(line):
        return _in(_BADGES[line[0]], verdict[1]) + line[verdict.end() :]
    if row := _ROW.match(line):
        shape, words, bar, wall, beyond = row.groups()
        colour = _BARS.get(shape, "0")
        return f"{_in(_BADGES[shape], shape)}{words}{_in(colour, bar)}{_in('1', wall)}{_in(colour, beyond)}"
    return line


def _in(colour: str, text: str) -> str:
    return f"\x1b[{colour}m{text}\x1b[0m" if text else ""
