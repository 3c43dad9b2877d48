"""Figures and words large enough to be read from a metre: our own glyphs, drawn in half blocks.

A glyph is a picture of square dots, two of which make one cell of the terminal (upper and lower half block). Only
full and half blocks are used: every common monospaced font has them.
"""

from __future__ import annotations

from functools import lru_cache

# Six dots high, five wide; N is six wide, M and W are seven. An upright stroke is two dots, a level one a single dot:
# a dot is about as wide as half a cell is high, so both look alike.
LETTERS = {
    letter: tuple(dots.split())
    for letter, dots in {
        "A": "##### ##.## ##.## ##### ##.## ##.##",
        "B": "####. ##.## ####. ##.## ##.## ####.",
        "C": "##### ##... ##... ##... ##... #####",
        "D": "####. ##.## ##.## ##.## ##.## ####.",
        "E": "##### ##... ####. ##... ##... #####",
        "F": "##### ##... ####. ##... ##... ##...",
        "G": "##### ##... ##... ##.## ##.## #####",
        "H": "##.## ##.## ##### ##.## ##.## ##.##",
        "I": "##### .##.. .##.. .##.. .##.. #####",
        "J": "...## ...## ...## ...## ##.## #####",
        "K": "##.## ##.## ####. ####. ##.## ##.##",
        "L": "##... ##... ##... ##... ##... #####",
        "M": "##...## ###.### ####### ##.#.## ##...## ##...##",
        "N": "##..## ###.## ###### ##.### ##..## ##..##",
        "O": "##### ##.## ##.## ##.## ##.## #####",
        "P": "####. ##.## ##.## ####. ##... ##...",
        "Q": "##### ##.## ##.## ##.## ##### ...##",
        "R": "####. ##.## ##.## ####. ##.## ##.##",
        "S": "##### ##... ##### ...## ...## #####",
        "T": "##### .##.. .##.. .##.. .##.. .##..",
        "U": "##.## ##.## ##.## ##.## ##.## #####",
        "V": "##.## ##.## ##.## ##.## .###. ..#..",
        "W": "##...## ##...## ##...## ##.#.## ###.### ##...##",
        "X": "##.## ##.## .###. .###. ##.## ##.##",
        "Y": "##.## ##.## ##### .##.. .##.. .##..",
        "Z": "##### ...## ..##. .##.. ##... #####",
        " ": "... ... ... ... ... ...",
        "-": "... ... ### ... ... ...",
    }.items()
}


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
    ".": (".", ".", ".", ".", "#"),
    ":": (".", "#", ".", "#", "."),
}
# The smallest are six dots high and four wide, in strokes of one: fields stretched, but for two that need more.
_SMALLEST = {
    "1": (".##.", "..#.", "..#.", "..#.", "..#.", ".###"),
    ":": (".", "#", ".", ".", "#", "."),
}
_WIDENED = 5
"""Dots of a letter that can be made wider, by doubling its middle; the first of one with its stroke in the middle."""
_CENTRED = "ITY"
_STRETCHED_ROWS = (0, 1, 2, 3, 3, 4)
_STRETCHED = {1: (0,), 2: (0, 1), 3: (0, 1, 1, 2)}

FIGURE_CHARACTERS = "".join(_DIGITS)
"""What :func:`figure_rows` can draw."""
WORD_CHARACTERS = "".join(LETTERS) + "0123456789"
"""What :func:`word_rows` can draw."""
UNKNOWN = "~~"
"""The figure that stands where none is known: two dashes."""


def rows_of(scale: int) -> int:
    """Return how many rows of cells a figure of ``scale`` takes: 3 at 1, 5 at 2, 8 at 3, 10 at 4, 13 at 5."""
    return (len(_dots("0", scale)) + 1) // 2


@lru_cache(maxsize=512)
def figure_width(text: str, scale: int = 2) -> int:
    """Return how many cells wide :func:`figure_rows` draws ``text``."""
    gap = _gap(scale)
    return sum(len(_dots(c, scale)[0]) + gap for c in text) - gap if text else 0


@lru_cache(maxsize=512)
def figure_rows(text: str, scale: int = 2) -> tuple[str, ...]:
    """Return ``text`` drawn large, one string a row, all of :func:`figure_width`.

    Args:
        text: digits, point, colon, minus, blank and ``~`` only.
        scale: 1 for the smallest, of three rows; from 2 on the stroke's width in dots.

    Raises:
        KeyError: a character that has no glyph.

    """
    gap = " " * _gap(scale)
    glyphs = [_half_blocks(_dots(character, scale)) for character in text]
    return tuple(gap.join(rows) for rows in zip(*glyphs, strict=True))


@lru_cache(maxsize=128)
def _dots(character: str, scale: int) -> tuple[str, ...]:
    fields = _DIGITS[character]
    if scale > 1:
        return tuple(_stretched(row, scale) for row in fields for _ in range(scale))
    stretched = ("".join(fields[row][c] for c in _STRETCHED[len(fields[0])]) for row in _STRETCHED_ROWS)
    return _SMALLEST.get(character) or tuple(stretched)


@lru_cache(maxsize=64)
def word_rows(word: str, scale: int = 1, wide: bool = False, lowered: bool = False) -> tuple[str, ...]:
    """Return ``word`` in letters of six dots times ``scale``, one string a row.

    Args:
        word: letters, digits, blank and minus only.
        scale: dots a dot.
        wide: letters one dot wider before they are scaled.
        lowered: begin half a row lower, with one row more.

    Raises:
        KeyError: a character that has no glyph.

    """
    glyphs = [_letter(character, wide) for character in word]
    dots = tuple(_stretched(".".join(rows), scale) for rows in zip(*glyphs, strict=True) for _ in range(scale))
    return _half_blocks(("." * len(dots[0]), *dots) if lowered else dots)


@lru_cache(maxsize=64)
def letter_lines(lines: tuple[str, ...]) -> tuple[str, ...]:
    """Return ``lines`` in narrow letters below each other, half a row between them, one string a row.

    Raises:
        KeyError: a character that has no glyph.

    """
    dots: list[str] = []
    for line in lines:
        rows = [".".join(rows) for rows in zip(*(_letter(character, False) for character in line), strict=True)]
        dots += ["", *rows]
    widest = max(map(len, dots))
    return _half_blocks(tuple(row.ljust(widest, ".") for row in dots))


def _letter(character: str, wide: bool) -> tuple[str, ...]:
    dots = LETTERS.get(character) or _dots(character, 1)
    if not wide or len(dots[0]) != _WIDENED:
        return dots
    doubled = 0 if character in _CENTRED else 2
    return tuple(row[: doubled + 1] + row[doubled:] for row in dots)


def _gap(scale: int) -> int:
    return (scale + 1) // 2


def _stretched(line: str, scale: int) -> str:
    return "".join(dot * scale for dot in line)


@lru_cache(maxsize=128)
def _half_blocks(dots: tuple[str, ...]) -> tuple[str, ...]:
    if len(dots) % 2:
        dots = (*dots, "." * len(dots[0]))
    blocks = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}
    return tuple(
        "".join(blocks[upper + lower] for upper, lower in zip(dots[row], dots[row + 1], strict=True))
        for row in range(0, len(dots), 2)
    )
