"""From bytes in pieces to rows of named numbers: the text that a microcontroller prints.

Pure: no input or output, no clock. However the stream is cut into pieces, the rows are the same. What a line says
of itself decides how it is read::

    ms,pack_voltage,pack_current        csv      a header line, then values; the header may be repeated
    1200,52.31,14.2                     csv      or a fixed list of columns, stated in the settings, and no header
    pack_voltage=52.31 pack_current=14  key=value
    {"pack": {"voltage": 52.31}}        json     one object a line
    BEGIN                               record   one value a line under a record mark
    voltage 52.31

Joining in the middle, noise and half lines are normal: such a line is counted by its reason and never fatal.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from math import isnan

from .delimited_lines import DelimitedLines
from .text_formats import JsonLines, LineReader, PairLines, RecordLines, TextRow
from .text_settings import TextSettings

LONGEST_LINE = 16384
MOST_NAMES = 256
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


@dataclass
class TextFigures:
    """What became of the bytes so far.

    Attributes:
        bytes: bytes taken in.
        lines: line ends seen, blank lines included.
        rows: rows given out.
        bad: lines and cells that could not be used, by reason.

    """

    bytes: int = 0
    lines: int = 0
    rows: int = 0
    bad: Counter[str] = field(default_factory=Counter)


class LineCutter:
    """Cuts a stream of bytes into lines, in time linear in the bytes. Line ends: LF, CR LF or CR."""

    def __init__(self, longest: int = LONGEST_LINE) -> None:
        self._longest = longest
        self._partial = bytearray()
        self._skipping = False
        self._after_return = False
        self.too_long = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that ``data`` completes, without their ends; a line above the limit is left out."""
        if self._after_return and data:
            self._after_return = False
            data = data.removeprefix(b"\n")
        if not data:
            return []
        if b"\r" in data:
            self._after_return = data.endswith(b"\r")
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        first, *rest = data.split(b"\n")
        self._hold(first)
        if not rest:
            return []
        lines = []
        if not self._skipping:
            lines.append(bytes(self._partial))
        self._partial.clear()
        self._skipping = False
        last = rest.pop()
        lines += [line for line in rest if self._fits(line)]
        self._hold(last)
        return lines

    def restart(self) -> None:
        """Forget the half line held: what comes next does not follow on from it."""
        self._partial.clear()
        self._skipping = False
        self._after_return = False

    def _hold(self, part: bytes) -> None:
        if self._skipping:
            return
        if len(self._partial) + len(part) > self._longest:
            self._partial.clear()
            self._skipping = True
            self.too_long += 1
        else:
            self._partial += part

    def _fits(self, line: bytes) -> bool:
        if len(line) <= self._longest:
            return True
        self.too_long += 1
        return False


class TextDecoder:
    """Decodes one device's text; see the module's docstring.

    Args:
        settings: how the text is laid out.
        is_known: tells whether a name means something to the machine file or the vocabulary. A known name is trusted
            at once; a name in pairs, JSON or a record that is not known is passed on from its second
            sighting, so that noise does not invent columns.

    """

    def __init__(self, settings: TextSettings, is_known: Callable[[str], bool]) -> None:
        self.figures = TextFigures()
        self._is_known = is_known
        self._cutter = LineCutter()
        self._is_first = True
        self._sighted: dict[str, int] = {}
        self._shapes: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._wants_blanks = False
        self._readers = self._readers_for(settings)

    def feed(self, data: bytes) -> list[TextRow]:
        """Take a piece of the stream and return the rows that it completes."""
        self.figures.bytes += len(data)
        too_long = self._cutter.too_long
        lines = self._cutter.feed(data)
        too_long = self._cutter.too_long - too_long
        if too_long:
            self.figures.bad["line too long"] += too_long
            self.figures.lines += too_long
        self.figures.lines += len(lines)
        rows: list[TextRow] = []
        is_clean = _CONTROL.search(b"\n".join(lines)) is None
        for line in lines:
            self._read(line, is_clean, rows)
        self.figures.rows += len(rows)
        return rows

    def restart(self) -> None:
        """Take note that bytes were lost here: the line and the record that are held are given up."""
        self._cutter.restart()
        self._is_first = True
        for reader in self._readers:
            reader.restart()

    def _readers_for(self, settings: TextSettings) -> tuple[LineReader, ...]:
        wanted = settings.format
        if wanted is None and settings.record_mark is not None:
            wanted = "record"
        if wanted is None and settings.columns_in_order:
            wanted = "csv"
        bad = self.figures.bad
        if wanted == "record":
            mark = settings.record_mark or ""
            self._wants_blanks = mark == ""
            return (RecordLines(mark, settings.delimiter, bad),)
        csv = DelimitedLines(settings.columns_in_order, settings.delimiter, self._is_known, bad)
        every: dict[str, LineReader] = {"json": JsonLines(bad), "key=value": PairLines(bad), "csv": csv}
        return (every[wanted],) if wanted else tuple(every.values())

    def _read(self, line: bytes, is_clean: bool, rows: list[TextRow]) -> None:
        """Read one line into no row, one, or (where a record ends and another begins) two."""
        if not is_clean and _CONTROL.search(line):
            self.figures.bad["not text"] += 1
            self._is_first = False
            return
        text = line.decode("utf-8", "replace").strip("\ufeff ")
        if not self._wants_blanks and not text.strip():
            self._is_first = False
            return
        is_first, self._is_first = self._is_first, False
        reader = self._readers[-1]
        for candidate in self._readers[:-1]:
            if candidate.claims(text):
                reader = candidate
                break
        for row in reader.read(text, is_first):
            vetted = self._vetted(row) if reader.names_need_vetting else row
            if vetted is not None:
                rows.append(vetted)

    def _vetted(self, row: TextRow) -> TextRow | None:
        """Return the row less the names that have not earned trust yet; rows of one shape share their names."""
        shape = self._shapes.get(row.names)
        if shape is not None:
            return TextRow(shape, row.values)
        kept = [place for place, name in enumerate(row.names) if self._is_trusted(name, row.values[place])]
        if len(kept) == len(row.names):
            if len(self._shapes) >= MOST_NAMES:
                self._shapes.clear()
            self._shapes[row.names] = row.names
            return row
        self.figures.bad["name seen for the first time"] += len(row.names) - len(kept)
        return TextRow(tuple(row.names[p] for p in kept), [row.values[p] for p in kept]) if kept else None

    def _is_trusted(self, name: str, value: float) -> bool:
        if self._is_known(name):
            return True
        seen = self._sighted.get(name, 0)
        if isnan(value) or (seen == 0 and len(self._sighted) >= MOST_NAMES):
            return seen > 0
        self._sighted[name] = seen + 1
        return seen > 0
