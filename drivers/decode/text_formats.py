"""How one line of pairs, of JSON or of a record becomes names and numbers. Pure; lines come without their end.

A reader returns a list of (names, values), usually of one entry; what it cannot use it counts by reason.
"""

from __future__ import annotations

import json
import math
import re
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, ClassVar, NamedTuple

NAN = math.nan
MOST_CELLS = 512
WORDS = {"true": 1.0, "on": 1.0, "yes": 1.0, "false": 0.0, "off": 0.0, "no": 0.0}
UNKNOWN_WORDS = frozenset({"", "null", "none", "na", "n/a", "-", "--", "?"})
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
COLUMN_NAME = re.compile(r"[^\W\d][\w .,:\-/()%°\[\]#\ufffd]{0,62}")
_PAIR = re.compile(r'([^\W\d][\w.\-/%\[\]]*)\s*[=:]\s*("[^"]*"|[^\s,;]*)[\s,;]*')
_RECORD_BINDERS = re.compile(r"[=:\t;,]")


class TextRow(NamedTuple):
    """The values of one line, or of one record: a name and a number each; NaN for unknown.

    Rows of the same shape mostly share one ``names`` object.
    """

    names: tuple[str, ...]
    values: Sequence[float]


class LineReader(ABC):
    """Reads the lines of one format.

    Attributes:
        names_need_vetting: each line brings its own names, so that noise could invent some.

    """

    names_need_vetting: ClassVar[bool] = True

    def claims(self, text: str) -> bool:
        """Tell whether the line looks like this format's, where the format is told from the line."""
        return bool(text)

    @abstractmethod
    def read(self, text: str, is_first: bool) -> list[TextRow]:
        """Return what the line gives. ``is_first``: the stream was joined before it, so that its start may lack."""

    def restart(self) -> None:  # noqa: B027 - most readers hold nothing between lines
        """Give up what is held: bytes were lost."""


def number(text: str, bad: Counter[str], decimal_comma: bool = False) -> float:
    """Return the number that a cell holds; NaN for an empty one, and, counted, for text that is no number.

    ``true``, ``on`` and ``yes`` are 1; ``false``, ``off`` and ``no`` are 0. Python's underscores and foreign
    digits are not numbers here.
    """
    word = text.strip().lower()
    if word in UNKNOWN_WORDS:
        return NAN
    if word in WORDS:
        return WORDS[word]
    if decimal_comma and _DECIMAL_COMMA.fullmatch(word):
        word = word.replace(",", ".")
    if word.isascii() and "_" not in word:
        try:
            return float(word)
        except ValueError:
            pass
    bad["not a number"] += 1
    return NAN


class JsonLines(LineReader):
    """One JSON object a line (RFC 8259). Inner objects and arrays get dotted names, arrays numbered from 1."""

    def __init__(self, bad: Counter[str]) -> None:
        self._bad = bad

    def claims(self, text: str) -> bool:
        """A JSON object begins with a brace."""
        return text.startswith("{")

    def read(self, text: str, is_first: bool) -> list[TextRow]:
        """Return the object's numbers; a line that was cut at its start is no object."""
        try:
            said = json.loads(text)
            leaves = dict(_flat("", said)) if isinstance(said, dict) else None
        except (ValueError, RecursionError):
            leaves = None
        if leaves is None:
            self._bad["joined in the middle" if is_first else "not a JSON object"] += 1
            return []
        values = {name: self._as_number(value) for name, value in leaves.items()}
        if len(values) > MOST_CELLS:
            self._bad["too many values"] += 1
            return []
        return [TextRow(tuple(values), list(values.values()))] if values else []

    def _as_number(self, value: Any) -> float:
        if value is None:
            return NAN
        if isinstance(value, str):
            return number(value, self._bad)
        try:
            return float(value)
        except OverflowError:
            self._bad["not a number"] += 1
            return NAN


class PairLines(LineReader):
    """``name=value`` pairs on a line, with any of space, comma, semicolon between; a colon binds as well."""

    def __init__(self, bad: Counter[str]) -> None:
        self._bad = bad

    def claims(self, text: str) -> bool:
        """The whole line must consist of pairs."""
        return ("=" in text or ":" in text) and self._pairs(text) is not None

    def read(self, text: str, is_first: bool) -> list[TextRow]:
        """Return the line's numbers, none if a name stands in it twice."""
        if is_first:
            self._bad["joined in the middle"] += 1
            return []
        pairs = self._pairs(text)
        if pairs is None:
            self._bad["not name=value pairs"] += 1
            return []
        if len(dict(pairs)) != len(pairs):
            self._bad["a name twice in one line"] += 1
            return []
        values = [number(value.strip('"'), self._bad) for _, value in pairs]
        return [TextRow(tuple(name for name, _ in pairs), values)]

    @staticmethod
    def _pairs(text: str) -> list[tuple[str, str]] | None:
        """Return the pairs if the whole line consists of such, else None."""
        pairs: list[tuple[str, str]] = []
        at = len(text) - len(text.lstrip())
        while at < len(text):
            match = _PAIR.match(text, at)
            if match is None or len(pairs) == MOST_CELLS:
                return None
            pairs.append((match[1], match[2]))
            at = match.end()
        return pairs or None


class RecordLines(LineReader):
    """One value a line, ``name<separator>value``; a record begins with its mark.

    A record is given out when the next begins or, once its shape has been seen, with its last line: waiting would
    make it one record late.
    """

    def __init__(self, mark: str, delimiter: str | None, bad: Counter[str]) -> None:
        self._mark = mark.strip()
        self._delimiter = delimiter
        self._bad = bad
        self._record: dict[str, float] | None = None
        self._given = 0
        self._shape: tuple[str, ...] = ()

    def restart(self) -> None:
        """Give up the record that stands; the next mark begins anew."""
        self._record = None

    def read(self, text: str, is_first: bool) -> list[TextRow]:
        """Return the record that the line ends, if it does."""
        if is_first:
            self._bad["joined in the middle"] += 1
            return []
        text = text.strip()
        if text == self._mark:
            return self._begin()
        name, value = self._split(text)
        found = self._begin() if name and name == self._mark else []
        if self._record is None:
            self._bad["before a record mark"] += 1
            return found
        if not name or not COLUMN_NAME.fullmatch(name) or len(self._record) == MOST_CELLS:
            self._bad["not a name and a value"] += 1
            return found
        if name in self._record:
            self._bad["a name twice in one record"] += 1
            return found
        self._record[name] = number(value, self._bad)
        if len(self._record) == len(self._shape) and tuple(self._record) == self._shape:
            found += self._give()
        return found

    def _begin(self) -> list[TextRow]:
        """End the record that stands, if any, and begin the next; a mark that repeats begins nothing new."""
        found: list[TextRow] = []
        if self._record:
            found = self._give()
            self._shape = tuple(self._record)
        self._record = {}
        self._given = 0
        return found

    def _give(self) -> list[TextRow]:
        """Return what the record holds beyond what has been given out."""
        assert self._record is not None
        names, values = tuple(self._record)[self._given :], list(self._record.values())[self._given :]
        self._given = len(self._record)
        return [TextRow(names, values)] if names else []

    def _split(self, text: str) -> tuple[str, str]:
        """Return name and value, parted by the first binder, or else by the last white space."""
        if self._delimiter and self._delimiter.strip():
            name, _, value = text.partition(self._delimiter)
        elif self._delimiter is None and (binder := _RECORD_BINDERS.search(text)):
            name, value = text[: binder.start()], text[binder.end() :]
        else:
            name, _, value = "\t".join(text.rsplit(None, 1)).partition("\t")
        return name.strip(), value


def _flat(prefix: str, value: Any) -> Iterator[tuple[str, Any]]:
    """Give (dotted name, plain value) for everything in a JSON value."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(f"{prefix}.{key}" if prefix else key, inner)
    elif isinstance(value, list):
        for place, inner in enumerate(value, 1):
            yield from _flat(f"{prefix}.{place}" if prefix else str(place), inner)
    else:
        yield prefix, value
