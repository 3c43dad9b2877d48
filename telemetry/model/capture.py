"""Raw bytes of a link with their times, kept in a text file of our own.

::

    capture 1 began 2026-11-25T14:02:11.250000Z
    0.000000 pack out A5 5A 01 00 00 20
    0.021873 pack in A5 5A 81 07 14 1B FE A1 03 20 01 52 82

The first line says when it began, in UTC. Each further line: seconds since then, the source's name (blanks and other
signs as ``%20``), ``in`` for what came or ``out`` for what was sent, and the bytes in hexadecimal, as one read or
one request gave them. Blank lines and lines that begin with ``#`` are notes. A last line that was cut off in the
middle, as when the power fails, is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal, TextIO
from urllib.parse import quote, unquote

from telemetry.model.errors import InputError, printable

Direction = Literal["in", "out"]
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST = "capture 1 began "
_LONGEST_LINE = 4_000_000


@dataclass(frozen=True, slots=True)
class CapturedPiece:
    """Some bytes of a link.

    Attributes:
        t: when, microseconds since the Unix epoch.
        source: the source's name.
        direction: ``in`` for what came, ``out`` for what was sent.
        data: the bytes.

    """

    t: int
    source: str
    direction: Direction
    data: bytes


class CaptureWriter:
    """Writes a capture, a line at a time.

    Args:
        file: an open text file; the caller closes it.
        began: microseconds since the Unix epoch.

    """

    def __init__(self, file: TextIO, began: int) -> None:
        self._file = file
        self._began = began
        moment = _EPOCH + timedelta(microseconds=began)
        file.write(f"{_FIRST}{moment.strftime('%Y-%m-%dT%H:%M:%S.%f')}Z\n")

    def write(self, piece: CapturedPiece) -> None:
        """Add one piece.

        Raises:
            OSError: the file cannot be written; the disk is full, say.

        """
        passed = piece.t - self._began
        sign, whole = ("-", -passed) if passed < 0 else ("", passed)
        time = f"{sign}{whole // 1_000_000}.{whole % 1_000_000:06d}"
        name = quote(piece.source, safe="") or "%20"
        self._file.write(f"{time} {name} {piece.direction} {piece.data.hex(' ').upper()}\n")


def read_capture(path: Path) -> Iterator[CapturedPiece]:
    """Give the pieces of a capture in the order in which they were written.

    Raises:
        InputError: the file cannot be read, or a line is not a line of a capture; names file and line.

    """
    name = printable(path, 200)
    try:
        with path.open(encoding="ascii", errors="strict", newline="\n") as file:
            yield from _pieces(file, name)
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name} is not a capture: it holds more than plain text; name the file of --capture"
        ) from error
    except OSError as error:
        raise InputError(
            f"{name} cannot be read ({printable(error.strerror or error, 120)}); name a capture"
        ) from error


def _pieces(file: TextIO, name: str) -> Iterator[CapturedPiece]:
    began = _began(file.readline(_LONGEST_LINE), name)
    number = 1
    while line := file.readline(_LONGEST_LINE):
        number += 1
        if not line.strip() or line.startswith("#"):
            continue
        piece = _piece(line, began)
        if piece is None:
            if not line.endswith("\n"):
                return
            raise InputError(
                f"{name}, line {number}: {printable(line.strip())!r} is not a line of a capture;"
                " it needs a time, a source, in or out, and bytes"
            )
        yield piece


def _began(line: str, name: str) -> int:
    try:
        if not line.startswith(_FIRST):
            raise ValueError
        moment = datetime.strptime(line[len(_FIRST) :].strip(), "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
    except ValueError:
        raise InputError(
            f"{name} is not a capture: its first line does not begin with {_FIRST!r} and a time"
        ) from None
    return (moment - _EPOCH) // timedelta(microseconds=1)


def _piece(line: str, began: int) -> CapturedPiece | None:
    parts = line.split(None, 3)
    if len(parts) < 3 or parts[2] not in ("in", "out"):
        return None
    seconds, _, fraction = parts[0].partition(".")
    if not (seconds.removeprefix("-").isdigit() and len(seconds) < 12 and fraction.isdigit() and len(fraction) == 6):
        return None
    passed = int(seconds.removeprefix("-")) * 1_000_000 + int(fraction)
    try:
        data = bytes.fromhex(parts[3]) if len(parts) > 3 else b""
    except ValueError:
        return None
    direction: Direction = "in" if parts[2] == "in" else "out"
    return CapturedPiece(
        began - passed if seconds.startswith("-") else began + passed, unquote(parts[1]), direction, data
    )
