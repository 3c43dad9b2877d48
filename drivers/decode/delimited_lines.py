"""Comma-separated values and their kin: one row a line, named by a header line or in the settings. Pure."""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Callable, Sequence

from .text_formats import COLUMN_NAME, MOST_CELLS, NAN, UNKNOWN_WORDS, WORDS, LineReader, TextRow, number

DELIMITERS = (",", ";", "\t")


class DelimitedLines(LineReader):
    """Comma-separated values and their kin, as RFC 4180 lays them out, one row a line.

    A header that differs from the one in force is adopted at once only if it has as many names and all are known;
    otherwise the rows decide: the first that fits it and not the old one, or its second appearance. So two lines
    run together by lost bytes do not displace a good header.
    """

    names_need_vetting = False

    def __init__(
        self, fixed: tuple[str, ...], delimiter: str | None, is_known: Callable[[str], bool], bad: Counter[str]
    ) -> None:
        self._fixed = fixed
        self._stated = delimiter
        self._is_known = is_known
        self._bad = bad
        self._names = fixed
        self._delimiter = delimiter
        self._header_text = ""
        self._candidate: tuple[str, ...] = ()
        self._candidate_delimiter = ""

    def read(self, text: str, is_first: bool) -> list[TextRow]:
        """Return the row that the line holds; none for a header."""
        if is_first and (self._names or not self._starts_with_known(text)):
            self._bad["joined in the middle"] += 1
            return []
        if text == self._header_text:
            return []
        if text.startswith("#"):
            return self._read_comment(text)
        if self._names and self._delimiter is not None:
            values = self._values(text, self._delimiter, len(self._names), quietly=True)
            if values is not None:
                return [TextRow(self._names, values)]
        if not self._fixed and (header := self._as_header(text)):
            self._meet_header(text, *header)
            return []
        return self._read_slowly(text)

    def _read_comment(self, text: str) -> list[TextRow]:
        """A header may stand in a comment: ``# ms,pack_voltage``; other comments say nothing."""
        bare = text.lstrip("# \t")
        header = None if self._fixed else self._as_header(bare)
        if header and any(self._is_known(name) for name in header[0]):
            self._meet_header(text, *header)
        else:
            self._bad["comment"] += 1
        return []

    def _read_slowly(self, text: str) -> list[TextRow]:
        """Read a row with text in it, or one that fits another header or another delimiter than that in force."""
        if not self._names and not self._candidate:
            self._bad["before a header"] += 1
            return []
        for delimiter in self._delimiters_to_try():
            values = self._values(text, delimiter, len(self._names), quietly=False)
            if values is not None:
                self._delimiter = delimiter
                return [TextRow(self._names, values)]
        if self._candidate:
            values = self._values(text, self._candidate_delimiter, len(self._candidate), quietly=False)
            if values is not None:
                self._adopt("", self._candidate, self._candidate_delimiter)
                return [TextRow(self._names, values)]
        self._bad["does not fit the columns"] += 1
        return []

    def _delimiters_to_try(self) -> tuple[str, ...]:
        if not self._names:
            return ()
        if self._stated or not self._fixed:
            return (self._delimiter or ",",)
        return (*((self._delimiter,) if self._delimiter else ()), "\t", ";", ",", " ")

    def _values(self, text: str, delimiter: str, count: int, *, quietly: bool) -> Sequence[float] | None:
        """Return ``count`` numbers, or None where the cells are not so many or hold none; quietly: or any text."""
        cells = split_cells(text, delimiter)
        if len(cells) == count + 1 and not cells[-1]:
            cells.pop()
        if len(cells) != count:
            return None
        if quietly:
            if "_" in text or not text.isascii():
                return None
            try:
                return [float(cell) if cell else NAN for cell in cells]
            except ValueError:
                return None
        decimal_comma = delimiter != ","
        bad: Counter[str] = Counter()
        values = [number(cell, bad, decimal_comma) for cell in cells]
        if all(map(math.isnan, values)):
            return None
        self._bad.update(bad)
        return values

    def _as_header(self, text: str) -> tuple[tuple[str, ...], str] | None:
        """Return (names, delimiter) if the line can be a header: names only, each once; one alone must be known."""
        delimiter = self._stated or max(DELIMITERS, key=text.count)
        cells = [cell.strip() for cell in split_cells(text, delimiter)]
        if cells and not cells[-1]:
            cells.pop()
        if not cells or len(cells) > MOST_CELLS or len(set(cells)) != len(cells):
            return None
        if any(not COLUMN_NAME.fullmatch(c) or c.lower() in WORDS or _is_number_word(c) for c in cells):
            return None
        if len(cells) == 1 and not self._is_known(cells[0]):
            return None
        return tuple(cells), delimiter

    def _meet_header(self, text: str, names: tuple[str, ...], delimiter: str) -> None:
        known = sum(map(self._is_known, names))
        if names == self._names:
            self._adopt(text, self._names, delimiter)
        elif not self._names or (names == self._candidate and known) or known == len(names) == len(self._names):
            self._adopt(text, names, delimiter)
        else:
            self._candidate, self._candidate_delimiter = names, delimiter

    def _adopt(self, text: str, names: tuple[str, ...], delimiter: str) -> None:
        self._header_text, self._names, self._delimiter = text, names, delimiter
        self._candidate = ()

    def _starts_with_known(self, text: str) -> bool:
        """Tell whether the line is a header that was not cut at its start."""
        header = self._as_header(text.lstrip("# \t"))
        return header is not None and self._is_known(header[0][0])


def split_cells(text: str, delimiter: str) -> list[str]:
    """Return the cells of a line, with quotes as RFC 4180 has them; a space stands for any white space."""
    if delimiter == " ":
        return text.split()
    if '"' not in text:
        return text.split(delimiter)
    try:
        return next(csv.reader([text], delimiter=delimiter, skipinitialspace=True))
    except csv.Error:
        return text.split(delimiter)


def _is_number_word(text: str) -> bool:
    """Tell whether Python reads a name-like word as a number: nan, inf, infinity."""
    return text.lower() in UNKNOWN_WORDS or text.lower() in {"nan", "inf", "infinity"}
