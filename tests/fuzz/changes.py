"""Seeded damage to valid examples: bits and bytes anywhere, and numbers, lines and words of a text.

A general fuzzer guided by coverage would find its way into a format by itself. Here each format's valid examples are
at hand, so a mutator that starts from them is deep inside with its first input, needs no build of its own, runs on
any computer that runs the program, and makes the same inputs from the same seed everywhere.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence

MOST_BYTES = 1 << 16
_EDGES = [
    str(sign * (2**bits + more))
    for bits in (0, 7, 8, 15, 16, 31, 32, 53, 63, 64)
    for sign in (1, -1)
    for more in (-1, 0, 1)
]
_ODD_NUMBERS = [
    *(edge.encode() for edge in _EDGES),
    *b"0 -0 0.0 00 1e308 -1e308 1e309 1e-320 1e400 nan NaN inf -inf Infinity 1_000 0x10 1,5 .5 5. 1e 9999.9".split(),
    *(b"", b" ", b"9" * 400, b"0." + b"3" * 400, b"true", b"[]", b'"', b"\xd9\xa3"),
]
_ODD_WORDS = [
    *(b"\x1b[2J", b"\x1b]0;x\x07", b"\x00", b"\r\n", b"\n\n", b"\xff\xfe", b"\xef\xbb\xbf", b"\xe2\x80\xae"),
    *(b"{", b"}", b"[" * 50, b'"', b"'", b"=", b",", b";", b"|", b"#", b"..", b"/dev/zero", b"%s%n", b"<script>"),
    *(b"=1+1", b"pack_voltage", b"cell_01_voltage", b"extra_", b"series", b"t", b"row"),
]
_NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def damaged(rng: random.Random, examples: Sequence[bytes]) -> bytes:
    """Return an input: an example with one to eight changes, or, one in thirty, bytes at random."""
    if rng.random() < 0.03:
        return rng.randbytes(rng.choice((0, 1, 2, 7, 40, 300)))
    data = bytearray(rng.choice(examples))
    for _ in range(1 + min(int(rng.expovariate(0.5)), 7)):
        rng.choice(_CHANGES)(rng, data, examples)
        if len(data) > MOST_BYTES:
            del data[MOST_BYTES:]
    return bytes(data)


def _place(rng: random.Random, data: bytearray) -> tuple[int, int]:
    """Return where a short stretch begins and ends."""
    first = rng.randrange(len(data) + 1)
    return first, min(len(data), first + 1 + int(rng.expovariate(0.1)))


def _flip(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    for _time in range(rng.choice((1, 1, 1, 4))):
        if data:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _set(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    first = rng.randrange(len(data) + 1)
    size = rng.choice((1, 2, 4, 8))
    odd = rng.choice((0, 1, -1, 0x7F, 0x80, 0x7FFF, 0x8000, 2**31 - 1, 2**31, 2**32 - 1, 2**63))
    data[first : first + size] = (odd % 256**size).to_bytes(size, rng.choice(("little", "big")))


def _delete(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    first, stop = _place(rng, data)
    del data[first:stop]


def _cut(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    del data[rng.randrange(len(data) + 1) :]


def _repeat(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    first, stop = _place(rng, data)
    times = rng.choice((1, 1, 1, 2, 3, 20)) if rng.random() < 0.97 else 2000
    data[stop:stop] = data[first:stop] * times


def _insert(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    place = rng.randrange(len(data) + 1)
    data[place:place] = rng.randbytes(rng.randrange(1, 9))


def _splice(rng: random.Random, data: bytearray, examples: Sequence[bytes]) -> None:
    other = rng.choice(examples)
    first = rng.randrange(len(other) + 1)
    place = rng.randrange(len(data) + 1)
    data[place:] = other[first:]


def _number(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    """Put an odd number where one stands; looked for from a place at random, so that no pass over all is needed."""
    found = _NUMBER.search(data, rng.randrange(len(data) + 1))
    if found:
        data[found.start() : found.end()] = rng.choice(_ODD_NUMBERS)


def _word(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    first, stop = _place(rng, data)
    data[first : rng.choice((first, stop))] = rng.choice(_ODD_WORDS)


def _line(rng: random.Random, data: bytearray, _: Sequence[bytes]) -> None:
    """Take a line out, put it in twice, or move it to another place."""
    first = data.rfind(b"\n", 0, rng.randrange(len(data) + 1)) + 1
    stop = data.find(b"\n", first) + 1 or len(data)
    line = data[first:stop]
    kind = rng.randrange(3)
    if kind != 1:
        del data[first:stop]
    if kind:
        place = data.rfind(b"\n", 0, rng.randrange(len(data) + 1)) + 1
        data[place:place] = line


_CHANGES: tuple[Callable[[random.Random, bytearray, Sequence[bytes]], None], ...] = (
    *(_flip, _set, _delete, _cut, _repeat, _insert, _splice),
    *(_number, _number, _number, _word, _word, _line, _line),
)
