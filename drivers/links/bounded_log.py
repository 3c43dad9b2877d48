"""Bounds for a log of CAN frames that may come from anybody: what a reader would hold, or go round and round in.

Readers of text logs hold a whole line, however long. A Binary Logging File (BLF) holds containers, compressed with
zlib, and in these objects, each with its length: a small container can expand to gigabytes, an object of length 0
never ends, and one that claims gigabytes is waited for while all that follows is kept.
"""

from __future__ import annotations

import io
import zlib
from typing import IO

from telemetry.model.expansion import check_expansion

LONGEST_LINE = 1_000_000
"""Bytes. A frame takes a hundred."""
SHORTEST_LINES, BLANK_LINES = 8, 100_000
"""Mean bytes a line, and lines before it counts. No frame fits into eight, and a reader takes 2 us a blank line."""
LARGEST_CONTAINER = 16_000_000
"""Bytes, expanded. Writers close a container after some hundred thousand."""
LARGEST_OBJECT = 2_000_000
_CONTAINER_HEAD = 16
_OBJECT_HEAD = 16


class BoundPassed(ValueError):
    """Reading on would take the memory, or never end."""


class BoundedLog(io.BufferedIOBase):
    """Hands on the bytes of a log, and raises BoundPassed where they pass a bound.

    Args:
        file: the log, expanded if it is compressed; closed with this.
        name: for messages.
        packed: size of the compressed file, bytes; None for one that is not compressed.
        is_text: whether it is made of lines; else it is a BLF.

    """

    def __init__(self, file: IO[bytes] | io.BufferedIOBase, name: str, packed: int | None, is_text: bool) -> None:
        self._file, self._name, self._packed, self._is_text = file, name, packed, is_text
        self._given = self._since_line_end = self._lines = 0

    def readable(self) -> bool:
        """Say yes."""
        return True

    def read(self, size: int | None = -1) -> bytes:
        """Return up to ``size`` bytes, all for -1; the memory for them is taken before a byte is read."""
        if size is not None and size > LARGEST_CONTAINER:
            raise BoundPassed(f"an object in it claims a length of {size} bytes")
        return self._checked(self._file.read(-1 if size is None else size))

    def read1(self, size: int = -1) -> bytes:
        """Return some bytes, up to ``size``."""
        return self._checked(self._file.read(size if size > 0 else io.DEFAULT_BUFFER_SIZE))

    def close(self) -> None:
        """Close the log."""
        self._file.close()
        super().close()

    def _checked(self, part: bytes) -> bytes:
        self._given += len(part)
        if self._packed is not None:
            check_expansion(self._name, self._packed, self._given)
        if self._is_text:
            line_end = part.rfind(b"\n")
            self._since_line_end = self._since_line_end + len(part) if line_end < 0 else len(part) - line_end
            if self._since_line_end > LONGEST_LINE:
                raise BoundPassed(f"a line in it is longer than {LONGEST_LINE} bytes")
            self._lines += part.count(b"\n")
            if self._lines > max(BLANK_LINES, self._given // SHORTEST_LINES):
                raise BoundPassed(f"most of its {self._lines} lines are blank")
        elif len(part) > _CONTAINER_HEAD:
            _check_container(part)
        return part


def _check_container(part: bytes) -> None:
    """Refuse the content of a BLF container that expands too far; what is none, or damaged, is left to the reader."""
    try:
        expanded = zlib.decompressobj().decompress(part[_CONTAINER_HEAD:], LARGEST_CONTAINER + 1)
    except zlib.error:
        return
    if len(expanded) > LARGEST_CONTAINER:
        raise BoundPassed(f"a container in it expands to more than {LARGEST_CONTAINER} bytes")


def check_objects(data: bytes) -> None:
    """Refuse the expanded content of a BLF container where an object's length cannot be.

    Raises:
        BoundPassed: an object is shorter than its own head or longer than any frame's.

    """
    at = data.find(b"LOBJ")
    while 0 <= at <= len(data) - _OBJECT_HEAD:
        length = int.from_bytes(data[at + 8 : at + 12], "little")
        if not _OBJECT_HEAD <= length <= LARGEST_OBJECT:
            raise BoundPassed(f"an object in it has a length of {length} bytes")
        at = data.find(b"LOBJ", at + length)
