"""Runs a frame map over a capture and says, frame by frame, what was understood. Pure.

The way to write a map at the kitchen table: change it, run it over the capture, read what it makes of the bytes.
Where no checksum fits, those that would are searched for.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import printable
from telemetry.model.signals import find_signal

from .checksums import CATALOGUE, Checksum, Sum, Xor
from .cut_layout import ByteOrder, ChecksumPlace
from .frame_cutter import BAD_CHECKSUM
from .frame_decoder import Finding, FrameDecoder, FrameFigures
from .frame_layout import FrameField, FrameMap, Message
from .frame_reader import pattern_in

FRAMES_TO_SEARCH = 40
"""Frames with a wrong checksum that are kept to find the right one by."""
MOST_BYTES_SHOWN = 64


def check_capture(frame_map: FrameMap, capture: Iterable[CapturedPiece], source: str | None = None) -> Iterator[str]:
    """Give lines of text: each request and frame with what was read from it, and a summary.

    Args:
        frame_map: the map.
        capture: the pieces, in order.
        source: name of the source to look at; the capture's first where it is None.

    """
    check = _Check(frame_map)
    for piece in capture:
        source = piece.source if source is None else source
        if piece.source == source:
            yield from check.take(piece)
    yield from check.finish(source)


class _Check:
    def __init__(self, frame_map: FrameMap) -> None:
        self._map = frame_map
        self._found: list[Finding] = []
        self._decoder = FrameDecoder(frame_map, "capture", self._found.append)
        self._began: int | None = None
        self._latest = 0
        self._passed_over = 0
        self._wrong_checksum: list[bytes] = []
        self._requests = 0

    def take(self, piece: CapturedPiece) -> Iterator[str]:
        if self._began is None:
            self._began = piece.t
        self._latest = piece.t
        if piece.direction == "out":
            self._decoder.overdue()
            yield from self._say(piece.t)
            yield self._asked(piece)
        else:
            # Byte by byte, which gives the same frames, so that what is found is told in the order of the bytes.
            whole = self._map.envelope.one_per_piece
            for data in [piece.data] if whole else (piece.data[n : n + 1] for n in range(len(piece.data))):
                self._decoder.feed(data, piece.t)
                yield from self._say(piece.t)

    def finish(self, source: str | None) -> Iterator[str]:
        self._decoder.overdue()
        yield from self._say(self._latest)
        figures = self._decoder.figures
        if source is None:
            yield "the capture holds no bytes"
            return
        yield from _summary(figures, self._requests)
        if not figures.frames and self._wrong_checksum:
            yield from self._search()

    def _asked(self, piece: CapturedPiece) -> str:
        request = next((request for request in self._map.requests if request.data == piece.data), None)
        self._requests += 1
        if request is None:
            return f"{self._time(piece.t)}  sent       {_hex(piece.data)}  (no request of this map)"
        self._decoder.asked(request)
        answers = f"  (answer: {', '.join(request.answers)})" if request.answers else ""
        return f"{self._time(piece.t)}  request    {_hex(piece.data)}{answers}"

    def _say(self, now: int) -> Iterator[str]:
        for finding in self._found:
            t = self._time(now if finding.arrival is None else finding.arrival)
            if finding.arrival is None:
                yield f"{t}  no frame   {self._why_not(finding)}: {_hex(finding.frame)}"
                continue
            if finding.passed_over > self._passed_over:
                yield f"{t}  passed     {_bytes(finding.passed_over - self._passed_over)} of no good frame before"
                self._passed_over = finding.passed_over
            if finding.message is None:
                yield f"{t}  not read   {finding.why_not}: {_hex(finding.frame)}"
            else:
                yield f"{t}  {finding.message.name:9}  {_hex(finding.frame)}"
                yield from _fields(finding.message, finding.frame, finding.values)
        self._found.clear()

    def _why_not(self, finding: Finding) -> str:
        place = self._map.envelope.checksum
        if finding.why_not != BAD_CHECKSUM or place is None:
            return finding.why_not
        if len(self._wrong_checksum) < FRAMES_TO_SEARCH:
            self._wrong_checksum.append(finding.frame)
        at, first, stop = place.span(len(finding.frame))
        if min(at, first) < 0:
            return f"{BAD_CHECKSUM} (the frame is too short for it)"
        right = place.of(finding.frame[first:stop]).to_bytes(place.size, place.order)
        return (
            f"{BAD_CHECKSUM} (bytes {first} to {stop - 1} give {_hex(right)},"
            f" the frame says {_hex(finding.frame[at : at + place.size])})"
        )

    def _search(self) -> Iterator[str]:
        """Say which checksums would fit most of the frames in which the map's does not."""
        stated = self._map.envelope.checksum
        assert stated is not None
        fits = list(islice(fitting_checksums(self._wrong_checksum, stated, len(self._map.envelope.end)), 8))
        if fits:
            yield "no frame's checksum fits; these would:"
            yield from (f"    checksum = {fit}" for fit in fits)
        else:
            yield "no frame's checksum fits, and no other that is known here would; check length, start and end first"

    def _time(self, t: int) -> str:
        return f"{(t - (self._began or 0)) / 1e6:10.3f} s"


def fitting_checksums(frames: Sequence[bytes], stated: ChecksumPlace, end: int) -> Iterator[str]:
    """Give, as a map states them, the checksums that more than half of ``frames``, and at least two, bear.

    Tried are the sums, the exclusive or and the whole catalogue, in either byte order, from each of the first six
    bytes on.
    """
    kinds: list[tuple[str, Checksum]] = [("xor", Xor())]
    for kind, complement in (("sum", 0), ("ones-complement", 1), ("twos-complement", 2)):
        kinds += [(kind, Sum(width, complement)) for width in (8, 16)]
    kinds += [(name, named.crc) for name, named in CATALOGUE.items()]
    orders: tuple[ByteOrder, ...] = ("big", "little")
    for kind, checksum in kinds:
        size = (checksum.width + 7) // 8
        byte = -(size + end)
        for order in orders[: 1 if size == 1 else 2]:
            for first in range(6):
                place = ChecksumPlace(checksum, byte, first, byte - 1, order)
                fit = sum(len(frame) > first + size + end and place.fits(frame) for frame in frames)
                if fit > 1 and fit * 2 > len(frames) and place != stated:
                    width = f", width = {checksum.width}" if isinstance(checksum, Sum) else ""
                    told = "" if size == 1 else f', byte_order = "{order}"'
                    yield f'{{ kind = "{kind}"{width}, covers = [{first}, {byte - 1}]{told} }}  # {fit} frames'


def _fields(message: Message, frame: bytes, values: Sequence[float]) -> Iterator[str]:
    """Give one line for each reading: the signal, its value, and the bytes that it comes from."""
    place = 0
    for field in message.fields:
        skipped = field.skipped(frame)
        for repeat in range(field.present(frame)):
            if 0 <= (number := skipped + repeat) < len(field.signals):
                reading = _reading(field.signals[number], values[place + number])
                yield f"{'':14}{reading}  {_origin(field, repeat, frame)}"
        place += len(field.signals)


def _reading(signal: str, value: float) -> str:
    known = find_signal(signal)
    if math.isnan(value):
        shown = "no reading"
    else:
        shown = f"{value:.6g} {known.unit if known else ''}".rstrip()
        if known is not None and not known.low <= value <= known.high:
            shown += " (impossible, so unknown)"
    return f"{signal:20} = {shown:14}"


def _origin(field: FrameField, repeat: int, frame: bytes) -> str:
    at, bit, size = field.place(repeat)
    at += len(frame) if field.byte < 0 else 0
    number = pattern_in(frame, field, repeat)
    where = f"byte {at}" if size == 1 else f"bytes {at}-{at + size - 1}"
    bits = "" if bit == 0 and field.width == 8 * size else f", {field.width} bit from bit {bit}"
    meaning = f": {field.meanings[number]}" if number in field.meanings else ""
    return f"[{where}{bits}: {_hex(frame[at : at + size])} = {number}{meaning}]"


def _summary(figures: FrameFigures, requests: int) -> Iterator[str]:
    read = ", ".join(f"{count} {name}" for name, count in sorted(figures.frames.items())) or "none"
    yield f"read: {read}"
    for what, counts in (("not read", figures.unread), ("no frame", figures.bad)):
        if counts:
            yield f"{what}: " + ", ".join(f"{count} {printable(why)}" for why, count in counts.most_common())
    passed_over = figures.bytes_passed_over
    yield f"{_bytes(figures.bytes)} came, {passed_over} of them in no good frame; {requests} requests sent"


def _bytes(count: int) -> str:
    return f"{count} byte" if count == 1 else f"{count} bytes"


def _hex(data: bytes) -> str:
    shown = data[:MOST_BYTES_SHOWN].hex(" ").upper()
    return shown if len(data) <= MOST_BYTES_SHOWN else f"{shown} … ({len(data)} bytes)"
