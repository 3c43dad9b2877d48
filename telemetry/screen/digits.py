"""Figures and words large enough to be read from a metre: our own glyphs, drawn in half blocks.

A glyph is a picture of square dots, two of which make one cell of the terminal (upper and lower half block). Digits
are drawn six dots wide and ten high with strokes of two, letters seven wide. Only full and half blocks are used:
every common monospaced font has them.
"""

from __future__ import annotations

from functools import lru_cache

from telemetry.screen.letters import LETTERS

_ROWS = 5
"""Rows of cells of a glyph at scale 2, the smallest."""

# Three by five fields; a field is `scale` dots wide and high. A digit so drawn keeps its shape under blur, since
# stroke and counter are equally wide.
_DIGITS = {
    "0": ("###", "#.#", "#.#", "#.#", "###"),
    "1": ("##.", ".#.", ".#.", ".#.", "###"),
    "2": ("###", "..#", "###", "#..", "###"),
    "3": ("###", "..#", ".##", "..#", "###"),
    "4": ("#.#", "#.#", "###", "..#", "..#"),
    "5": ("###", "#..", "###", "..#", "###"),
    "6": ("###", "#..", "###", "#.#", "###"),
    "7": ("###", "..#", "..#", "..#", "..#"),
    "8": ("###", "#.#", "###", "#.#", "###"),
    "9": ("###", "#.#", "###", "..#", "###"),
    "~": ("...", "...", "###", "...", "..."),  # one of the two dashes of an unknown figure
    " ": ("...", "...", "...", "...", "..."),
    "-": ("..", "..", "##", "..", ".."),
    "+": ("..", "..", "..", "..", ".."),  # a plus sign is not drawn, its place is kept
    ".": (".", ".", ".", ".", "#"),
}

FIGURE_CHARACTERS = "".join(_DIGITS)
"""What :func:`figure_rows` can draw."""
WORD_CHARACTERS = "".join(LETTERS)
"""What :func:`word_rows` can draw."""
UNKNOWN = "~~"
"""The figure that stands where none is known: two dashes."""


def rows_of(scale: int) -> int:
    """Return how many rows of cells a figure of ``scale`` takes: 5 at 2, 8 at 3, 10 at 4."""
    return (_ROWS * scale + 1) // 2


@lru_cache(maxsize=512)
def figure_width(text: str, scale: int = 2) -> int:
    """Return how many cells wide :func:`figure_rows` draws ``text``."""
    gap = _gap(scale)
    return sum(scale * len(_DIGITS[c][0]) + gap for c in text) - gap if text else 0


@lru_cache(maxsize=512)
def figure_rows(text: str, scale: int = 2) -> tuple[str, ...]:
    """Return ``text`` drawn large, one string a row, all of :func:`figure_width`.

    Args:
        text: digits, point, minus, plus (kept blank), blank and ``~`` only.
        scale: dots a field, 2 or more; stroke width in dots.

    Raises:
        KeyError: a character that has no glyph.

    """
    gap = " " * _gap(scale)
    glyphs = [_glyph(character, scale) for character in text]
    return tuple(gap.join(rows) for rows in zip(*glyphs, strict=True))


@lru_cache(maxsize=128)
def _glyph(character: str, scale: int) -> tuple[str, ...]:
    return _half_blocks([_stretched(fields, scale) for fields in _DIGITS[character] for _ in range(scale)])


@lru_cache(maxsize=64)
def word_rows(word: str, scale: int = 1) -> tuple[str, ...]:
    """Return ``word`` in letters of ten dots times ``scale``, one string a row: 5 rows at 1, 10 at 2.

    Raises:
        KeyError: a letter that has no glyph.

    """
    dots = [".".join(LETTERS[c][row] for c in word) for row in range(10) for _ in range(scale)]
    return _half_blocks([_stretched(line, scale) for line in dots])


def word_width(word: str, scale: int = 1) -> int:
    """Return how many cells wide :func:`word_rows` draws ``word``."""
    return scale * (sum(len(LETTERS[c][0]) + 1 for c in word) - 1)


def _gap(scale: int) -> int:
    return (scale + 1) // 2


def _stretched(line: str, scale: int) -> str:
    return "".join(dot * scale for dot in line)


def _half_blocks(dots: list[str]) -> tuple[str, ...]:
    if len(dots) % 2:
        dots = [*dots, "." * len(dots[0])]
    blocks = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}
    return tuple(
        "".join(blocks[upper + lower] for upper, lower in zip(dots[row], dots[row + 1], strict=True))
        for row in range(0, len(dots), 2)
    )
