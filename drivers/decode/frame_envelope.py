"""Reads section ``[frame]`` of a frame map: how frames are cut. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from telemetry.model.errors import Problem, did_you_mean, printable

from .checksums import Checksum, Crc, Sum, Xor, known_checksums, named_crc
from .frame_layout import ByteOrder, ChecksumPlace, Envelope, Escape, LengthField
from .frame_table import Table, hex_bytes

SUMS = {"sum": 0, "ones-complement": 1, "twos-complement": 2}
DEFAULT_LONGEST = 1024


def read_envelope(table: Table | None, order: ByteOrder, problems: list[Problem]) -> Envelope:
    """Return what the section states; what is wrong goes to ``problems``."""
    if table is None:
        problems.append(Problem("frame", "is missing", 'write [frame] with start = "A5 5A" and length = 20, say'))
        return Envelope()
    start, end = table.hex("start"), table.hex("end")
    longest = table.whole("longest", DEFAULT_LONGEST, 1, 65535)
    length = _read_length(table, order)
    checksum = _read_checksum(table, order, len(end))
    escape = _read_escape(table, start, end)
    gap = table.seconds("gap_s", 0.1) if "gap_s" in table else None
    one_per_piece = table.switch("one_per_piece")
    table.raw("gap_s")
    table.finish()
    return Envelope(start, end, length, longest, checksum, escape, gap, one_per_piece)


def _read_length(table: Table, order: ByteOrder) -> int | LengthField | None:
    stated = table.raw("length")
    if stated is None:
        return None
    if not isinstance(stated, Mapping):
        return table.whole("length", 1, 1, 65535)
    inner = table.table("length")
    assert inner is not None
    byte = inner.place("byte")
    width = inner.whole("width", 8, 8, 32)
    if width % 8:
        inner.wrong("width", "is no whole number of bytes", "write width = 8 or width = 16")
        width = 8
    found = LengthField(
        byte or 0,
        width,
        "little" if inner.choice("byte_order", order, ("big", "little")) == "little" else "big",
        inner.whole("unit", 1, 1, 64),
        inner.whole("uncounted", 0, -255, 65535),
    )
    inner.finish()
    return found


def _read_checksum(table: Table, order: ByteOrder, end: int) -> ChecksumPlace | None:
    stated = table.raw("checksum")
    if stated is None:
        return None
    if isinstance(stated, str):
        inner = Table({"kind": stated}, table.key("checksum"), table.problems)
    else:
        found = table.table("checksum")
        if found is None:
            return None
        inner = found
    checksum = _read_kind(inner)
    size = (checksum.width + 7) // 8
    byte = inner.whole("byte", -(size + end), -65535, 65535)
    first, last = _read_covers(inner, byte)
    sent = "little" if inner.choice("byte_order", order, ("big", "little")) == "little" else "big"
    inner.finish()
    return ChecksumPlace(checksum, byte, first, last, "little" if sent == "little" else "big")


def _read_covers(table: Table, byte: int) -> tuple[int, int]:
    stated = table.raw("covers")
    if stated is None:
        if byte >= 0:
            table.wrong("covers", "is missing", "write covers = [4, -1]: the first and the last byte that are summed")
        return 0, byte - 1
    if (
        not isinstance(stated, list)
        or len(stated) != 2
        or not all(isinstance(each, int) and not isinstance(each, bool) for each in stated)
        or ((stated[0] >= 0) == (stated[1] >= 0) and stated[0] > stated[1])
    ):
        table.wrong("covers", "is no first and last byte", "write covers = [2, -4]; -1 is the frame's last byte")
        return 0, byte - 1
    return stated[0], stated[1]


def _read_kind(table: Table) -> Checksum:
    kind = table.text("kind")
    if kind is None:
        table.wrong("kind", "is missing", f"use {', '.join([*SUMS, 'xor', 'crc', *known_checksums()])}")
        table.finish()
        return Sum()
    if kind in SUMS:
        width = table.whole("width", 8, 8, 64)
        if width % 8:
            table.wrong("width", "is no whole number of bytes", "write width = 8 or width = 16")
        return Sum(width, SUMS[kind])
    if kind == "xor":
        return Xor()
    if kind == "crc":
        return _read_parameters(table)
    named = named_crc(kind)
    if named is None:
        known = [*SUMS, "xor", "crc", *known_checksums()]
        near = did_you_mean(kind if kind in known else kind.upper(), known) or did_you_mean(kind, known)
        table.wrong("kind", f"there is no checksum {printable(kind)}", f"use {', '.join(known)}{near}")
        return Sum()
    return named


def _read_parameters(table: Table) -> Checksum:
    width = table.whole("width", 16, 3, 64)
    if "width" not in table or "polynomial" not in table:
        table.wrong("", "states no width and polynomial", 'write kind = "crc", width = 16, polynomial = 0x8005')
    most = (1 << width) - 1
    return Crc(
        width,
        table.whole("polynomial", 1, 1, most),
        table.whole("initial", 0, 0, most),
        table.switch("reflect_in"),
        table.switch("reflect_out"),
        table.whole("xor_out", 0, 0, most),
    )


def _read_escape(table: Table, start: bytes, end: bytes) -> Escape | None:
    inner = table.table("escape")
    if inner is None:
        return None
    found = inner.hex("byte")
    if len(found) != 1:
        inner.wrong("byte", "is not one byte", "write byte = 0x7D, say")
        inner.finish()
        return None
    special = set(start[:1] + end[:1] + found)
    if "pairs" in inner:
        sent_as = _read_pairs(inner)
    else:
        change = inner.hex("xor")
        if len(change) != 1:
            inner.wrong("", "says neither xor nor pairs", 'write xor = 0x20, or pairs = { "C0" = "DC", "DB" = "DD" }')
        sent_as = {byte: byte ^ change[0] for byte in special} if len(change) == 1 else {}
    inner.finish()
    if not sent_as:
        return None
    missing = special - sent_as.keys()
    if missing:
        shown = ", ".join(f"{byte:02X}" for byte in sorted(missing))
        inner.wrong("pairs", f"leaves {shown} as it is", "give a pair for the start, the end and the escape byte")
    if special & set(sent_as.values()) or len(set(sent_as.values())) != len(sent_as):
        inner.wrong("", "sends two bytes alike, or one as a byte that it should hide", "give each a byte of its own")
    return Escape(found[0], sent_as)


def _read_pairs(table: Table) -> dict[int, int]:
    inner = table.table("pairs")
    pairs: dict[int, int] = {}
    for key in inner.names() if inner is not None else ():
        assert inner is not None
        meant, sent = hex_bytes(key), inner.hex(key)
        if meant is None or len(meant) != 1 or len(sent) != 1:
            inner.wrong(key, "is no pair of bytes", 'write "C0" = "DC": the byte, and what follows the escape byte')
        else:
            pairs[meant[0]] = sent[0]
    return pairs
