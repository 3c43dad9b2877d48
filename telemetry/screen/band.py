"""The band: one large word and what to do, red or amber for an alarm, blue for a prompt. It is never cut.

It is below the gauges of the drive view, and above the last row of every other view.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import product, zip_longest

from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import WORD_CHARACTERS, letter_lines, word_rows
from telemetry.screen.formats import wrapped
from telemetry.screen.theme import SHAPES
from telemetry.screen.words import Headline

_LEAST_TEXT = 14
"""Cells beside the word below which its text reads badly."""
_LARGE_ROWS = 7
"""From so many rows on there is room for the place in letters too."""
BAND_ROWS = 4
"""Rows of the band over another view."""


def draw_band(canvas: Canvas, headline: Headline, place: tuple[int, int, int], rows: int, flash: bool) -> None:
    """Draw the band of ``rows`` rows from ``place``: column, row and width; upwards it takes more where it must.

    While a danger waits to be acknowledged it changes between filled and hollow with ``flash``.
    """
    x, y, width = place
    lines = band_lines(headline, width - 2, rows)
    y = max(0, y + rows - len(lines))
    hollow = headline.waits and flash and headline.meaning == "danger"
    for row, line in enumerate(lines, start=y):
        canvas.clear_from(x, row, width)
        if hollow:
            canvas.put(x + 1, row, line, canvas.palette.strong)
        else:
            canvas.filled(x, row, headline.meaning, line, width)


@lru_cache(maxsize=64)
def band_lines(headline: Headline, width: int, rows: int) -> tuple[str, ...]:
    """Return the lines of the band, ``rows`` of them; more only where the act, or the word of a low band, needs more.

    The word is as large as its text allows, with as much of the text as fits: the act always, whole.
    """
    for scale in (3, 2, 1) if headline.word and set(headline.word) <= set(WORD_CHARACTERS) else ():
        for letters, wide, texts in product(_lettered(headline, rows), (True, False), tuple(_texts(headline))):
            if 3 * scale < rows and (scale > 1 or not wide):
                found = _beside(word_rows(headline.word, scale, wide, lowered=True), letters, texts, width, rows)
                if found is not None:
                    return _filled_up(found, rows)
        for texts in _texts(headline):
            # Letters without a rim above them would run into the page, so a low band takes the blank row above it.
            most = rows + (rows == BAND_ROWS)
            lines = [*word_rows(headline.word, scale, lowered=True), *_wrapped(texts, width - 2)]
            if len(lines) <= most and max(map(len, lines)) <= width - 2:
                return _filled_up([f" {line}" for line in lines], rows)
    plain = f"{SHAPES[headline.meaning]} {headline.word}".rstrip()
    for texts in _texts(headline):
        lines = _wrapped((f"{plain}  {texts[0]}", *texts[1:]), width - 2)
        if len(lines) <= rows:
            break
    return _filled_up([f" {line}" for line in lines], rows)


def _texts(headline: Headline) -> Iterator[tuple[str, ...]]:
    """Yield what may be said, the fullest first; the last is the place and the act."""
    what = ": ".join(filter(None, (headline.where, headline.what)))
    more = f" (1 of {headline.waiting})" if headline.waiting > 1 else ""
    yield (f"{what}{more}", headline.do, *headline.details)
    if headline.value:
        yield f"{what}, {headline.value}{more}", headline.do
    yield f"{what}{more}", headline.do
    yield (f"{headline.where}: {headline.do}" if headline.do else headline.where,)


def _lettered(headline: Headline, rows: int) -> Iterator[tuple[str, ...]]:
    """Yield what may stand in letters beside the word, the fullest first: the place with the first act, the place."""
    place, first = headline.where, headline.first
    if rows >= _LARGE_ROWS and set(place) <= set(WORD_CHARACTERS):
        if first:
            yield (place, first)
        yield (place,)
    yield ()


def _beside(
    word: tuple[str, ...], letters: tuple[str, ...], texts: tuple[str, ...], width: int, rows: int
) -> list[str] | None:
    """Return the word at the left, and letters and texts beside it; None where they do not fit.

    Args:
        word: the rows of the word.
        letters: what stands in letters above the texts, the place first.
        texts: what is said, the place first.
        width: cells of the band within its ends.
        rows: rows of the band.

    """
    room = width - len(word[0]) - 4
    lines = list(texts)
    large = letter_lines(letters) if letters else ()
    if letters:
        if len(texts) <= 1:
            return None
        lines[0] = lines[0].removeprefix(f"{letters[0]}: ")
    lines = [*large, *_wrapped(lines, room)]
    if room < max(_LEAST_TEXT, *map(len, large), 0) or len(lines) > rows:
        return None
    blank = " " * len(word[0])
    padded = [blank] * ((rows - len(word)) // 2) + list(word)
    return [f" {left or blank}   {right}" for left, right in zip_longest(padded, lines, fillvalue="")]


def _wrapped(texts: Iterable[str], width: int) -> list[str]:
    return [line for text in texts for line in wrapped(text[:1].upper() + text[1:], width)]


def _filled_up(lines: list[str], rows: int) -> tuple[str, ...]:
    return (*lines, *[""] * (rows - len(lines)))
