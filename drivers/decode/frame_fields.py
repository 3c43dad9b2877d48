"""Reads one entry of ``[message.NAME.fields]`` of a frame map. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from telemetry.model.errors import printable
from telemetry.model.signals import cell_name, extra_name, find_signal, known_names, nearest_signals

from .columns import is_number
from .frame_layout import ByteOrder, FrameField, NumberType
from .frame_reader import FLOAT_FORMATS
from .frame_table import Table

NUMBERS: dict[str, NumberType] = {
    "unsigned": "unsigned",
    "signed": "signed",
    "sign-magnitude": "sign-magnitude",
    "float": "float",
}
MOST_REPEATS = 255


def read_field(signal: str, table: Table, order: ByteOrder) -> tuple[FrameField | None, bool]:
    """Return the field under the key ``signal``, and whether it may overlap others; None where it cannot be told.

    In the signal's name ``*`` stands for the number of a repeat: ``"cell_*_voltage"``.
    """
    byte = table.place("byte")
    bit = table.whole("bit", 0, 0, 63)
    width = table.whole("width", 1 if "bit" in table else 8, 1, 64)
    number = NUMBERS[table.choice("type", "unsigned", NUMBERS)]
    if number == "float" and width not in FLOAT_FORMATS:
        table.wrong("width", "is no width of a floating-point number", "write width = 16, 32 or 64")
    if number == "sign-magnitude" and width < 2:
        table.wrong("width", "leaves no bit beside the sign", "write width = 8, say")
    scale, offset = _read_scale(table, width)
    size = (bit + width + 7) // 8
    count, count_byte = _read_count(table, signal)
    first = table.whole("first_number", 1, 1, 998)
    step = table.whole("step", size, 1, 65535)
    unknown = _read_unknown(table, width)
    overlaps = table.switch("overlaps")
    sent = table.choice("byte_order", order, ("big", "little"))
    table.finish()
    signals = _signals(signal, count, first, table)
    if byte is None or not signals:
        return None, overlaps
    if len(signals) > 1 and step < size and not overlaps:
        table.wrong("step", f"is less than the {size} bytes of one", f"write step = {size}, or overlaps = true")
    field_order: ByteOrder = "little" if sent == "little" else "big"
    field = FrameField(signals, byte, bit, width, field_order, number, scale, offset, unknown, step, count_byte)
    return field, overlaps


def _read_scale(table: Table, width: int) -> tuple[float, float]:
    scale, offset = table.number("scale", 1.0), table.number("offset", 0.0)
    if scale == 0:
        table.wrong("scale", "is 0, so every value would be the same", "leave it out for 1")
    if table.switch("inverted"):
        if width != 1 or "scale" in table or "offset" in table:
            table.wrong(
                "inverted", "is for a single bit without scale and offset", "leave it out, or write width = 1"
            )
        return -1.0, 1.0
    return scale, offset


def _read_count(table: Table, signal: str) -> tuple[int | None, int | None]:
    """Return how many repeats there are at the most, and the byte that says how many there are."""
    stated: Any = table.raw("count")
    count: int | None = None
    count_byte: int | None = None
    if isinstance(stated, Mapping):
        inner = table.table("count")
        assert inner is not None
        count_byte = inner.place("byte")
        if "most" not in inner:
            inner.wrong("most", "is missing", "write most = 24, the highest count that your device sends")
        count = inner.whole("most", 1, 1, MOST_REPEATS)
        inner.finish()
    elif stated is not None:
        count = table.whole("count", 1, 1, MOST_REPEATS)
    if ("*" in signal) != (count is not None):
        if count is None:
            table.wrong("count", "is missing", "write count = 16, say, since the signal's name has a *")
        else:
            table.wrong("count", "stands at a name without a *", 'write "cell_*_voltage", say, or leave out count')
        return None, None
    return count, count_byte


def _read_unknown(table: Table, width: int) -> tuple[tuple[int, int], ...]:
    stated = table.raw("unknown")
    if stated is None:
        return ()
    entries = stated if isinstance(stated, list) else [stated]
    found: list[tuple[int, int]] = []
    for entry in entries:
        pair = entry if isinstance(entry, list) else [entry, entry]
        low_high = [_pattern(each, width) for each in pair]
        if len(pair) != 2 or None in low_high:
            right = "write unknown = 0xFFFF, or a list; a range is [0xFB00, 0xFFFF]"
            table.wrong("unknown", f"holds what {width} bits cannot: {printable(entry)}", right)
            continue
        low, high = (each for each in low_high if each is not None)
        if low > high:
            table.wrong("unknown", f"holds a range that ends before it begins: {printable(entry)}", "turn it round")
            continue
        found.append((low, high))
    return tuple(found)


def _pattern(code: Any, width: int) -> int | None:
    """Return the bits of a code, which may be written as they are or as a negative number; None where none can be."""
    if not is_number(code) or code != int(code) or not -(1 << (width - 1)) <= code < 1 << width:
        return None
    return int(code) % (1 << width)


def _signals(name: str, count: int | None, first: int, table: Table) -> tuple[str, ...]:
    """Return the signals of a field, each known; empty where the name is not."""
    if name.count("*") > 1:
        table.wrong("", "has more than one *", 'write "cell_*_voltage", say')
        return ()
    if "*" in name:
        if count is None:
            return ()
        names = tuple(_numbered(name, number) for number in range(first, first + count))
    else:
        names = (name,)
    for each in names:
        signal = find_signal(each)
        if signal is None:
            near = nearest_signals(name.replace("*", "01") if "cell" in name else name.replace("*", "1"))
            near = [re.sub(r"_0?1(?=_|$)", "_*", n) if "*" in name else n for n in near]
            right = f"did you mean {', '.join(near)}?" if near else f"use one such as {', '.join(known_names()[:3])}"
            carried = extra_name(name.replace("*", "0")) if "*" not in name else "extra_NAME_*"
            table.wrong("", f"there is no signal {printable(each)}", f"{right} or carry it as {carried}")
            return ()
        if signal.is_derived:
            table.wrong("", f"{printable(each)} is computed here and not read", f"carry it as {extra_name(each)}")
            return ()
    return names


def _numbered(name: str, number: int) -> str:
    """Return a signal's name for a repeat: cells with at least two digits, others with no more than needed."""
    return cell_name(number) if name == "cell_*_voltage" else name.replace("*", str(number))
