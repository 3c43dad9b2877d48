"""Every error of ours; what leaves this tree is a bug.

::

    ShakedownError                  one clear sentence, with the remedy; carries the exit status
    ├── InputError            (2)   wrong use or bad input: a file, a key, a byte, an option
    │   ├── MachineFileError        one or more problems in a machine file, all at once
    │   └── RecordingError          a recording that cannot be read as one
    │       └── NothingReadable     it holds something, and its source makes no reading of it
    ├── LinkError             (3)   a link to a device; the supervisor tries again
    │   ├── LinkUnavailable         it cannot be opened now: no such port, no right to it, busy
    │   ├── LinkLost                it was open and broke: unplugged, end of stream, read error
    │   └── LinkSilent              it is open and nothing arrives: a failed link that looks healthy
    └── StoreError            (3)   the store cannot be read or written: read-only, full, newer, not ours

``str(error)`` is the sentence the user reads. It is always one line of printable text: what came over the air or
out of a file is made harmless by :func:`printable`, at the latest when the sentence is read. Only a
:class:`MachineFileError` has several lines, one a problem.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

# Letters and marks that are drawn as nothing, so that two names look the same and are not: what has the property
# Default_Ignorable_Code_Point (Unicode Standard Annex 44) and passes str.isprintable all the same.
_INVISIBLE = frozenset(
    map(
        chr,
        [
            *(0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x180B, 0x180C, 0x180D, 0x180F, 0x3164, 0xFFA0),
            *range(0xFE00, 0xFE10),
            *range(0xE0100, 0xE01F0),
        ],
    )
)


def printable(text: object, limit: int = 60) -> str:
    """Return ``text`` as one line that cannot steer a terminal: cut at ``limit``, what cannot be seen escaped.

    Escaped are control, bidirectional and format characters, line ends, blanks other than a plain one, and letters
    drawn as nothing. The limit counts characters of the result; a cut is shown by ``…``.
    """
    line = "".join(
        c if c.isprintable() and c not in _INVISIBLE else c.encode("unicode_escape").decode("ascii")
        for c in str(text)
    )
    return line if len(line) <= limit else line[: limit - 1] + "…"


def harmless(text: str) -> str:
    """Return ``text`` with its line ends as they are and everything else that could steer a terminal escaped.

    What the program writes to a terminal, a page or a log goes through here last, whoever made its parts.
    """
    plain = text.replace("\n", "")
    if plain.isprintable() and (plain.isascii() or _INVISIBLE.isdisjoint(plain)):
        return text
    return "\n".join(printable(line, len(line) * 10 + 1) for line in text.split("\n"))


def nearest(name: str, known: Iterable[str], count: int = 3, alike: float = 0.6) -> list[str]:
    """Return up to ``count`` of ``known`` like ``name``, best first; ``alike``: from 0, anything, to 1, the same."""
    return get_close_matches(name, list(known), n=count, cutoff=alike)


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean a, b?"`` for the names nearest to ``name``, or an empty string."""
    near = nearest(name, known)
    return f"; did you mean {', '.join(near)}?" if near else ""


_SENTENCE = 2000  # far longer than any sentence of ours, short enough to read past


class ShakedownError(Exception):
    """Base of all errors of this program; ``exit_status`` is what the command ends with."""

    exit_status = 3

    def __str__(self) -> str:
        return printable(super().__str__(), _SENTENCE)


class InputError(ShakedownError):
    """Wrong use or bad input. Example: an export to ``mow.xlsx``, which is no format we write."""

    exit_status = 2


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in something a user wrote: where it is, what is wrong and what would be right."""

    where: str
    what: str
    right: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.right}"


class MachineFileError(InputError):
    """All the problems of one machine file. Example: five misspelt keys give one error with five problems.

    Args:
        file: the file's name as the user gave it.
        problems: at least one.

    """

    def __init__(self, file: str, problems: Iterable[Problem]) -> None:
        self.file = printable(file, 200)
        self.problems = tuple(problems)
        count = len(self.problems)
        noun = "problem" if count == 1 else "problems"
        super().__init__(f"{self.file} has {count} {noun}:")

    def __str__(self) -> str:
        lines = [super().__str__(), *(f"  {printable(problem, _SENTENCE)}" for problem in self.problems)]
        return "\n".join(lines)


class RecordingError(InputError):
    """A recording that cannot be read. Example: ``mow.csv, line 14, column pack_current: 'n/a' is not a number``."""


class NothingReadable(RecordingError):
    """A recording holds something, and its source makes no reading of it. The sentence says what was seen."""


class LinkError(ShakedownError):
    """Base of the errors of a link to a device."""


class LinkUnavailable(LinkError):
    """The link cannot be opened now. Example: the serial port does not exist or another program holds it."""


class LinkLost(LinkError):
    """The link was open and broke. Example: the plug was pulled; the device closed the connection."""


class LinkSilent(LinkError):
    """The link is open and nothing has arrived for longer than its silence limit."""


class StoreError(ShakedownError):
    """The store cannot be read or written. Example: the disk is full; the file is no SQLite database."""
