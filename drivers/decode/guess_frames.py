"""Finds how a capture may be cut into frames: what starts them, how long they are, which checksum fits. Pure.

Nothing here is certain: what is found is a proposal, to be tried by the map that it makes.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from telemetry.model.capture import CapturedPiece

from .capture_check import FRAMES_TO_SEARCH, fitting_checksums
from .checksums import Sum
from .cut_layout import ChecksumPlace

LEAST_FRAMES = 3
"""Frames of one kind by which anything can be told; ours."""
MOST_FRAMES = 400
"""Frames looked at, evenly over the capture; ours."""
_PAUSE_US = 15_000
"""Bytes without an answer between them that come farther apart belong to two frames, as a first guess; ours."""
_SHORTEST, _LONGEST = 4, 1024
_MOST_STARTS = 40
_IN_TURN = 0.9
"""Share of the frames that follow in turn where a byte tells their kind; the rest were lost. Ours."""
_PADDING = (0x00, 0xFF)
_AS_GOOD = 0.005
"""Ways to cut that differ by less in quality are as good as each other; ours."""
_NO_CHECKSUM = ChecksumPlace(Sum(3), -1, 0, -2, "big")
"""Bears no frame: what is looked for is any other."""


@dataclass(frozen=True)
class FrameKind:
    """Frames that look alike.

    Attributes:
        start: the bytes that all of them begin with.
        frames: time of the last byte, int microseconds, and the bytes, in order.
        checksum: as a map states it; empty where none is known.
        trailer: bytes of the checksum and behind it.

    """

    start: bytes
    frames: tuple[tuple[int, bytes], ...]
    checksum: str = ""
    trailer: int = 0

    @property
    def length(self) -> int:
        """Bytes of each."""
        return len(self.frames[0][1])


def guess_kinds(capture: Iterable[CapturedPiece]) -> list[FrameKind]:
    """Return the kinds of frame in a capture of one source, the most frequent first."""
    bursts = _bursts(capture)
    cut = _best([*_by_starts(bursts), _whole(bursts)])
    kinds: dict[tuple[int, bytes], list[tuple[int, bytes]]] = defaultdict(list)
    start = _shared_start([frame for _, frame in cut])
    told = _tells_kind(len(start), [frame for _, frame in cut])
    for t, frame in cut:
        kinds[len(frame), frame[len(start) : len(start) + told]].append((t, frame))
    found = [_with_checksum(start, frames) for frames in kinds.values() if len(frames) >= LEAST_FRAMES]
    return sorted(found, key=lambda kind: -len(kind.frames))


def _bursts(capture: Iterable[CapturedPiece]) -> list[tuple[int, bytes]]:
    """Return what came without a pause and without a request in between: time of its last byte, and bytes."""
    found: list[tuple[int, bytearray]] = []
    fresh = True
    for piece in capture:
        if piece.direction == "out":
            fresh = True
        elif fresh or piece.t - found[-1][0] > _PAUSE_US:
            found.append((piece.t, bytearray(piece.data)))
            fresh = False
        else:
            found[-1][1].extend(piece.data)
            found[-1] = (piece.t, found[-1][1])
    return [(t, bytes(data)) for t, data in found]


def _whole(bursts: Sequence[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """Return the bursts as frames."""
    return [(t, data) for t, data in bursts if _SHORTEST <= len(data) <= _LONGEST]


def _best(cuts: Sequence[list[tuple[int, bytes]]]) -> list[tuple[int, bytes]]:
    """Return the cut whose frames are the most alike, or one as good whose frames can be parted further."""
    best = max(cuts, key=_quality)
    as_good = [cut for cut in cuts if _quality(cut) >= _quality(best) - _AS_GOOD]
    return next((parts for cut in as_good if (parts := _divided(cut)) is not cut), best)


def _by_starts(bursts: Sequence[tuple[int, bytes]]) -> list[list[tuple[int, bytes]]]:
    """Return the frames between occurrences of two bytes, for each two that occur often."""
    stream = b"".join(data for _, data in bursts)
    ends, place = [], 0
    for t, data in bursts:
        place += len(data)
        ends.append((place, t))
    pairs = Counter(stream[n : n + 2] for n in range(len(stream) - 1))
    starts = [start for start, count in pairs.most_common(_MOST_STARTS) if count >= LEAST_FRAMES]
    return [_split(stream, start, ends) for start in starts]


def _divided(cut: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """Return ``cut`` with frames that hold a repeated start parted at it: kinds that come in turn look like one.

    Their first byte is the same and no padding, the second tells the kind and so stays the same at its place; and the
    parts have a checksum if the whole has one.
    """
    lengths = Counter(len(frame) for _, frame in cut)
    length, count = max(lengths.items(), key=lambda item: item[0] * item[1], default=(0, 0))
    whole = [frame for _, frame in cut if len(frame) == length]
    if count < LEAST_FRAMES or whole[0][0] in _PADDING:
        return cut
    for size in range(_SHORTEST, length // 2 + 1):
        heads = {(at, frame[at], frame[at + 1]) for frame in whole for at in range(0, length - length % size, size)}
        if length % size or len(heads) > length // size or len({first for _, first, _ in heads}) > 1:
            continue
        parts = [[(0, frame[at : at + size]) for frame in whole] for at in range(0, length, size)]
        if any(_with_checksum(b"", part).checksum for part in parts) or not _with_checksum(b"", cut).checksum:
            return [(t, frame[at : at + size]) for t, frame in cut for at in range(0, len(frame), size)]
    return cut


def _split(stream: bytes, start: bytes, ends: Sequence[tuple[int, int]]) -> list[tuple[int, bytes]]:
    frames, at, burst = [], stream.find(start), 0
    while at >= 0:
        following = stream.find(start, at + 1)
        frame = stream[at : following if following >= 0 else len(stream)]
        while ends[burst][0] < at + len(frame):
            burst += 1
        if _SHORTEST <= len(frame) <= _LONGEST:
            frames.append((ends[burst][1], frame))
        at = following
    return frames


def _quality(cut: Sequence[tuple[int, bytes]]) -> float:
    """Return how far the frames are alike: the share of the bytes in frames of a frequent length and start."""
    if len(cut) < LEAST_FRAMES:
        return 0.0
    shapes = Counter((len(frame), frame[:2]) for _, frame in cut)
    frequent = sum(count * length for (length, _), count in shapes.items() if count >= LEAST_FRAMES)
    total = sum(len(frame) for _, frame in cut)
    return frequent / total - 0.01 * len(shapes) + 1e-6 * total / len(cut)


def _shared_start(frames: Sequence[bytes]) -> bytes:
    """Return the bytes, up to two, that nine in ten frames begin with."""
    for size in (2, 1):
        (start, count), *_ = Counter(frame[:size] for frame in frames).most_common(1) or [(b"", 0)]
        if start and count >= 0.9 * len(frames):
            return start
    return b""


def _tells_kind(at: int, frames: Sequence[bytes]) -> bool:
    """Return whether byte ``at`` tells kinds of frame: each of its values is followed by one and the same other."""
    values = [frame[at] for frame in frames if len(frame) > at]
    following = Counter(pairwise(values))
    best = sum(max(n for (a, _), n in following.items() if a == value) for value in set(values[:-1]))
    turns = sum(n for (a, b), n in following.items() if a != b)
    return min(best, turns) >= _IN_TURN * max(len(values) - 1, 1)


def _with_checksum(start: bytes, frames: list[tuple[int, bytes]]) -> FrameKind:
    every = max(1, len(frames) // MOST_FRAMES)
    kept = tuple(frames[::every])
    data = [frame for _, frame in kept]
    distinct = list(dict.fromkeys(data))[:FRAMES_TO_SEARCH]
    for end in range(3):
        if end and len({frame[-end:] for frame in data}) > 1:
            break
        fits = list(fitting_checksums(distinct, _NO_CHECKSUM, end))
        whole = [fit for fit in fits if int(fit.rpartition("# ")[2].split()[0]) == len(distinct)]
        if whole and len(distinct) >= LEAST_FRAMES:
            best = max(whole, key=_width_of)
            return FrameKind(start, kept, best.partition("  #")[0], _width_of(best) + end)
    return FrameKind(start, kept)


def _width_of(fit: str) -> int:
    """Return the bytes of a checksum as it is stated: it covers up to just before it."""
    last = int(fit.partition("covers = [")[2].partition("]")[0].split(",")[1])
    return -last - 1
