"""Lines of CAN frames as the Linux can-utils print them: a log, or what was on the screen. Pure.

::

    (1436509053.850870) can0 123#11223344            a log: 123 is an identifier of 11 bits
    (1436509053.850870) can0 18FEF100##1112233 R     29 bits, FD with its flags, received
      can0  123   [4]  11 22 33 44                   the screen, without a time
     (2020-12-15 11:45:00.123456)  can0  RX - -  123   [4]  11 22 33 44   '.."3D'

The time is seconds since 1970, from the first frame or from the frame before, or a date in this computer's zone.
Blank lines, and lines that begin with ``#``, ``;``, ``*`` or ``//``, are notes. (Layout: the published sources of
can-utils, canframelib and candump, from memory; the tests hold it against python-can's reader and candump's help.)
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import pairwise
from typing import NamedTuple
from urllib.parse import quote

from telemetry.model.capture import CapturedPiece

from .can_frames import EXTENDED, CanFrame

_CLASSIC = 8
_KEY_BYTES = 4
_ID = r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
_END = r"\s*(?:[#;].*|//.*)?$"
_LOG = re.compile(
    rf"\((?P<time>\d+\.\d+)\)\s+(?P<bus>\S+)\s+{_ID}#(?P<fd>#[0-9A-Fa-f])?(?P<data>\S*?)(?:\s+[RTrt])?{_END}"
)
_SCREEN = re.compile(
    rf"\s*(?:\((?P<time>[\d .:-]+)\)\s+)?(?P<bus>[\w.-]+)\s+(?:[RT]X\s+\S\s\S\s+)?{_ID}\s+\[(?P<count>\d+)\]"
    rf"(?P<data>(?:\s+[0-9A-Fa-f]{{2}})*|\s+remote request)\s*(?:'.*')?(?:\s+ERRORFRAME)?{_END}"
)
_ERROR, _IDENTIFIER = 0x2000_0000, 0x1FFF_FFFF
_NOTES = ("#", ";", "*", "//")
_LOOKED_AT = 2000
"""Lines by which times from frame to frame are told from times from the first one."""
_LONG_AGO_S = 1e8
"""Times below count from some frame: 1973 is before any such log."""


class DumpLine(NamedTuple):
    """One line: seconds, or None; the bus; the frame's identifier; its data, or None for one that carries none."""

    time: float | None
    bus: str
    key: int
    data: bytes | None


def is_note(line: str) -> bool:
    """Return whether a line is blank or a comment."""
    begun = line.lstrip()
    return not begun or begun.startswith(_NOTES)


def read_line(line: str) -> DumpLine | None:
    """Return what a line says; None for one that is no frame."""
    found = _LOG.match(line) or _SCREEN.match(line)
    if found is None:
        return None
    key, said = int(found["id"], 16), found["data"].strip()
    wide = len(found["id"]) > 3
    time = None if found["time"] is None else _seconds(found["time"])
    if (wide and key & _ERROR) or said[:1] in ("R", "r"):
        return DumpLine(time, found["bus"], key, None)
    try:
        data = bytes.fromhex(said.replace(".", " "))
    except ValueError:
        return None
    if (count := found.groupdict().get("count")) is not None and int(count) != len(data):
        return None
    return DumpLine(time, found["bus"], key & _IDENTIFIER | (EXTENDED if wide else 0), data)


def _seconds(said: str) -> float | None:
    try:
        return float(said) if " " not in said else datetime.fromisoformat(said).timestamp()
    except (ValueError, OverflowError, OSError):
        return None


def looks_like_it(lines: Iterable[str]) -> bool:
    """Return whether the first line that is no note is a frame."""
    first = next((line for line in lines if not is_note(line)), None)
    return first is not None and read_line(first) is not None


def counts_from_frame_to_frame(times: list[float]) -> bool:
    """Return whether times that do not count from 1970 are each from the frame before: those do not rise."""
    return bool(times) and times[0] < _LONG_AGO_S and any(b < a for a, b in pairwise(times))


class DumpFrames:
    """The data frames of such lines, as an iterator.

    Args:
        lines: of the log.
        channel: only frames of this bus; None for all.

    Attributes:
        odd: lines that are neither a frame nor a note, or whose frame has no time.
        first_odd: number of the first of them, from 1.
        untimed: frames among them.

    """

    def __init__(self, lines: Iterator[str], channel: str | None) -> None:
        self._lines, self._channel = lines, channel
        self.odd = self.untimed = self.first_odd = 0

    def __iter__(self) -> Iterator[CanFrame]:
        begun: list[tuple[int, str]] = []
        numbered = enumerate(self._lines, 1)
        for each in numbered:
            begun.append(each)
            if len(begun) == _LOOKED_AT:
                break
        read = (read_line(line) for _, line in begun)
        steps = counts_from_frame_to_frame([line.time for line in read if line is not None and line.time is not None])
        passed = 0.0
        for source in (begun, numbered):
            for number, text in source:
                line = read_line(text)
                if line is None or line.time is None:
                    if line is not None or not is_note(text):
                        self.odd, self.first_odd = self.odd + 1, self.first_odd or number
                        self.untimed += line is not None
                    continue
                passed = passed + line.time if steps else line.time
                if line.data is not None and self._channel in (None, line.bus):
                    yield CanFrame(round(passed * 1e6), line.key, line.data)


def as_bytes(frame: CanFrame) -> bytes:
    """Return the identifier, four bytes, big-endian, the first bit set where it has 29 bits; then the data."""
    return frame.key.to_bytes(4, "big") + frame.data


def frame_of(piece: CapturedPiece) -> CanFrame | None:
    """Return the frame that :func:`as_bytes` wrote; None where the bytes are none."""
    if len(piece.data) < _KEY_BYTES:
        return None
    return CanFrame(piece.t, int.from_bytes(piece.data[:_KEY_BYTES], "big"), piece.data[_KEY_BYTES:])


def log_line(piece: CapturedPiece) -> str:
    """Return a frame that was kept as :func:`as_bytes` gives it as a line of a log, as the Linux can-utils write it.

    Raises:
        ValueError: it holds no identifier.

    """
    if len(piece.data) < _KEY_BYTES:
        raise ValueError(f"{len(piece.data)} bytes are no CAN frame")
    key, data = int.from_bytes(piece.data[:_KEY_BYTES], "big"), piece.data[_KEY_BYTES:].hex().upper()
    identifier = f"{key & ~EXTENDED:08X}" if key & EXTENDED else f"{key:03X}"
    mark = "#" if len(piece.data) <= _KEY_BYTES + _CLASSIC else "##0"
    seconds, fraction = divmod(piece.t, 1_000_000)
    return f"({seconds}.{fraction:06d}) {quote(piece.source, safe='') or 'bus'} {identifier}{mark}{data}\n"
