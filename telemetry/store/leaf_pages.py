"""Records read straight from the leaf pages of a SQLite file, for where the tree above them is damaged.

The layout is that of https://www.sqlite.org/fileformat2.html, sections 1.6 (pages of a b-tree) and 2.1 (records).
Records that go on in overflow pages are left out.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

Field = int | float | str | bytes | None

_LEAF = 0x0D
_INTEGER_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


def leaf_records(path: Path, page_size: int) -> Iterator[tuple[int, list[Field]]]:
    """Give the row number and the fields of each record in a page that looks like a table's leaf."""
    with path.open("rb") as file:
        while page := file.read(page_size):
            if len(page) == page_size:
                yield from _records(page)


def _records(page: bytes) -> Iterator[tuple[int, list[Field]]]:
    """Give those of one page; the first page, which begins otherwise, holds the list of tables only."""
    if page[0] != _LEAF:
        return
    count = int.from_bytes(page[3:5], "big")
    if 8 + 2 * count > len(page):
        return
    for cell in range(count):
        place = int.from_bytes(page[8 + 2 * cell : 10 + 2 * cell], "big")
        try:
            size, place = _varint(page, place)
            row, place = _varint(page, place)
            if 0 < size <= len(page) - 35:  # else in overflow pages, or damaged
                yield row, _record(page[place : place + size])
        except (IndexError, struct.error, UnicodeDecodeError, ValueError):
            continue


def _varint(data: bytes, place: int) -> tuple[int, int]:
    value = 0
    for _ in range(8):
        byte = data[place]
        place += 1
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place
    value = value << 8 | data[place]
    return value - (1 << 64 if value >= 1 << 63 else 0), place + 1


def _record(data: bytes) -> list[Field]:
    head, place = _varint(data, 0)
    kinds = []
    while place < head:
        kind, place = _varint(data, place)
        kinds.append(kind)
    if place != head:
        raise ValueError("the head of a record is damaged")
    found: list[Field] = []
    for kind in kinds:
        value, place = _field(data, place, kind)
        found.append(value)
    if place != len(data):
        raise ValueError("the length of a record is damaged")
    return found


def _field(data: bytes, place: int, kind: int) -> tuple[Field, int]:
    if kind == 0:
        return None, place
    if kind in (8, 9):
        return kind - 8, place
    if kind == 7:
        return struct.unpack_from(">d", data, place)[0], place + 8
    if kind in _INTEGER_BYTES:
        end = place + _INTEGER_BYTES[kind]
        return int.from_bytes(data[place:end], "big", signed=True), end
    if kind < 12:
        raise ValueError("a kind of field that no file holds")
    end = place + (kind - 12) // 2
    return (data[place:end].decode() if kind % 2 else data[place:end]), end
