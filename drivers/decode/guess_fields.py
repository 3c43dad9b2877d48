"""Finds where in frames a reading may stand that was typed from a meter. Pure.

One reading at one moment fits many places by chance. Every place that fits is counted and told, so that an owner
sees whether one more reading, at another level, is needed.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.signals import find_signal

from .cut_layout import ByteOrder
from .guess_frames import FrameKind

SCALES = (1.0, 0.1, 0.01, 0.001, 0.5, 0.2, 0.05, 0.02, 0.025, 0.002, 1 / 64)
"""What a count is worth in the layouts seen; common practice, from memory."""
OFFSETS = {
    "A": (0.0, -3000.0, -3200.0, -1000.0, -500.0, -400.0),
    "degC": (0.0, -40.0, -50.0, -273.15, -100.0),
}
"""Offsets in use, by unit; common practice, from memory."""
METER_SHARE, METER_LEAST = 0.01, 0.6
"""A meter and the pack may differ by that share, or by that many counts; ours."""
LEAST_CELLS = 4
CELL_V, CELL_APART_V = (1.5, 4.5), 0.5
"""Between which a cell of any usual chemistry stands, and how far two of one pack are apart in use; ours."""


@dataclass(frozen=True)
class Reading:
    """What a meter showed.

    Attributes:
        signal: its name.
        value: in the signal's unit.
        t: when, int microseconds; None for all through the capture.

    """

    signal: str
    value: float
    t: int | None = None


@dataclass(frozen=True)
class FieldGuess:
    """A place that fits.

    Attributes:
        kind: number of the frames' kind.
        byte, width, order, number, scale, offset: as a map states them.
        off: how far it is from the readings, in the tolerance of each, root mean square.
        moves: whether its number changes in the capture.

    """

    kind: int
    byte: int
    width: int
    order: ByteOrder
    number: str
    scale: float
    offset: float
    off: float
    moves: bool

    @property
    def rank(self) -> tuple[float, ...]:
        """The likelier, the smaller: what moves, is a usual scale and width, and is near."""
        plain = SCALES.index(self.scale) if self.scale in SCALES else len(SCALES)
        return (not self.moves, self.width != 16, self.offset != 0.0, plain > 3, round(self.off, 1), plain, self.byte)

    def stated(self) -> str:
        """Return it as a field of a map."""
        parts = [f"byte = {self.byte}"]
        parts += [f"width = {self.width}"] if self.width != 8 else []
        parts += [f'type = "{self.number}"'] if self.number != "unsigned" else []
        parts += [f"scale = {self.scale:.9g}"] if self.scale != 1.0 else []
        parts += [f"offset = {self.offset:g}"] if self.offset else []
        parts += [f'byte_order = "{self.order}"'] if self.width > 8 else []
        return f"{{ {', '.join(parts)} }}"


@dataclass(frozen=True)
class CellGuess:
    """A row of numbers that may be cell voltages.

    Attributes:
        kind, byte, order, scale: as of a field, 16 bits each.
        count: how many.
        volts: their sum in the last frame, V.

    """

    kind: int
    byte: int
    order: ByteOrder
    scale: float
    count: int
    volts: float

    def stated(self) -> str:
        """Return it as a field of a map."""
        return (
            f"{{ byte = {self.byte}, width = 16, scale = {self.scale:g}, count = {self.count},"
            f' byte_order = "{self.order}" }}'
        )


def guess_fields(kinds: Sequence[FrameKind], readings: Sequence[Reading]) -> list[FieldGuess]:
    """Return every place that fits all ``readings`` of one signal, the likeliest first."""
    known = find_signal(readings[0].signal)
    unit, low, high = ("", -np.inf, np.inf) if known is None else (known.unit, known.low, known.high)
    found = []
    for number, kind in enumerate(kinds):
        for byte, width, order, way, raw in _numbers(kind):
            near = [raw[_nearest(kind, reading.t)] for reading in readings]
            moves = bool(np.ptp(raw) > 0)
            for scale in (1.0,) if way == "float" else SCALES:
                for offset in (0.0,) if way == "float" else OFFSETS.get(unit, (0.0,)):
                    off = _off(near, readings, scale, offset)
                    values = raw * scale + offset
                    if off <= 1.0 and low <= values.min() and values.max() <= high:
                        # what may flow either way has a sign, though the capture need not show it
                        plain = way == "unsigned" and unit == "A" and not offset and raw.max() < 1 << (width - 1)
                        way = "signed" if plain else way
                        found.append(FieldGuess(number, byte, width, order, way, scale, offset, off, moves))
    return sorted(found, key=lambda guess: guess.rank)


def _off(near: Sequence[Values], readings: Sequence[Reading], scale: float, offset: float) -> float:
    """Return how far off the best frames near each reading are; above 1 where one is beyond what a meter allows."""
    offs = []
    for raw, reading in zip(near, readings, strict=True):
        allowed = max(METER_SHARE * abs(reading.value), METER_LEAST * scale)
        off = float(np.abs(raw * scale + offset - reading.value).min()) / allowed
        if off > 1.0:
            return off
        offs.append(off)
    return float(np.sqrt(np.mean(np.square(offs))))


def _nearest(kind: FrameKind, t: int | None) -> slice:
    """Return the frames next to ``t``, one before and one behind; all of them where no time is said."""
    if t is None:
        return slice(None)
    place = int(np.searchsorted([at for at, _ in kind.frames], t))
    return slice(max(place - 1, 0), max(place + 1, 1))


def _numbers(kind: FrameKind) -> Iterator[tuple[int, int, ByteOrder, str, Values]]:
    """Give every number of whole bytes in the frames: byte, width, order, type, and its values."""
    table = np.frombuffer(b"".join(frame for _, frame in kind.frames), np.uint8)
    table = table.reshape(-1, kind.length)[:, : kind.length - kind.trailer]
    first = len(kind.start)
    for width in (16, 8, 32):
        size = width // 8
        for byte in range(first, table.shape[1] - size + 1):
            part = np.ascontiguousarray(table[:, byte : byte + size])
            orders: tuple[ByteOrder, ...] = ("big", "little") if size > 1 else ("big",)
            for order in orders:
                sign = ">" if order == "big" else "<"
                unsigned = part.view(f"{sign}u{size}")[:, 0].astype(np.float64)
                yield byte, width, order, "unsigned", unsigned
                signed = part.view(f"{sign}i{size}")[:, 0].astype(np.float64)
                if (signed != unsigned).any():
                    yield byte, width, order, "signed", signed
                if size == struct.calcsize("f"):
                    number = part.view(f"{sign}f4")[:, 0].astype(np.float64)
                    if np.isfinite(number).all() and (np.abs(number[number != 0]) > 1e-6).all():
                        yield byte, width, order, "float", number


def guess_cells(
    kinds: Sequence[FrameKind], pack: Sequence[Reading], order_of_others: ByteOrder | None = None
) -> list[CellGuess]:
    """Return rows of four or more 16-bit numbers that may be cells, the likeliest first.

    Their high bytes are alike, so that they seem to fit in the wrong order too, a byte farther on.

    Args:
        kinds: the frames.
        pack: readings of the pack's voltage, which their sum should be.
        order_of_others: byte order of the fields that are known.

    """
    found: list[CellGuess] = []
    for number, kind in enumerate(kinds):
        columns: dict[tuple[ByteOrder, int], Values] = {
            (order, byte): raw for byte, width, order, way, raw in _numbers(kind) if (width, way) == (16, "unsigned")
        }
        for order in ("big", "little"):
            for scale in (0.001, 0.0001):
                found += _rows(number, order, scale, {b: raw for (o, b), raw in columns.items() if o == order})
    target = pack[0].value if pack else None

    def rank(guess: CellGuess) -> tuple[bool, bool, int]:
        off = target is None or abs(guess.volts - target) > METER_SHARE * target
        return (off, guess.order != order_of_others, -guess.count)

    return sorted(found, key=rank)


def _rows(kind: int, order: ByteOrder, scale: float, columns: dict[int, Values]) -> Iterator[CellGuess]:
    """Give the longest rows of numbers side by side that are cells throughout and like one another."""
    low, high = CELL_V
    good = {b for b, raw in columns.items() if (low <= raw * scale).all() and (raw * scale <= high).all()}
    begun = [b for b in sorted(good) if b - 2 not in good or _apart(columns[b - 2], columns[b], scale)]
    for first in begun:
        row = [first]
        while row[-1] + 2 in good and not _apart(columns[row[-1]], columns[row[-1] + 2], scale):
            row.append(row[-1] + 2)
        if len(row) >= LEAST_CELLS:
            volts = float(sum(columns[b][-1] for b in row) * scale)
            yield CellGuess(kind, first, order, scale, len(row), volts)


def _apart(one: Values, other: Values, scale: float) -> bool:
    return bool((np.abs(one - other) * scale > CELL_APART_V).any())


def told_apart(guesses: Sequence[FieldGuess]) -> int:
    """Return how many different places fit: one number read in several scales counts once."""
    places = sorted({(guess.kind, guess.byte, guess.width) for guess in guesses})
    return len(places) - sum(a == b for a, b in pairwise(places))
