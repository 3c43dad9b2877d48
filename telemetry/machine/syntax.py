"""The lines of a machine file: what to say of one that is not TOML, and on which line a key is (tomllib keeps none).

Every corrected line is parsed before it is shown, so what the message asks for is TOML.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace

from telemetry.machine.limit_values import limit_key, other_units
from telemetry.machine.sections import find_key
from telemetry.model.errors import Problem, printable
from telemetry.model.keys import LIST_SECTIONS, Key, header_of, meant
from telemetry.model.kinds import Text
from telemetry.model.toml_text import RefusedToml, parse_toml
from telemetry.model.units import bare, comma_is_open, converted, quantity

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*(?:=|\.)""")
_TOML_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_ANY_HEADER = re.compile(r"\s*[\[({]+\s*([\w.\s-]+?)\s*[\])}]*\s*(?:#.*)?")
_LINE = re.compile(r"\s*[\"'“”]?([A-Za-z][\w-]*)[\"'“”]?\s*(?:[:=]+|\s)\s*([^\s=].*)")
_EMPTY = re.compile(r"\s*([A-Za-z][\w-]*)\s*=\s*(?:#.*)?")
_CURLY = str.maketrans({**dict.fromkeys("“”„‟«»", '"'), **dict.fromkeys("‘’‚", "'"), "\N{NO-BREAK SPACE}": " "})
_LONGEST = 100
_GENERAL = 'write key = number, or key = "text in quotes", one on a line'


def syntax_problem(error: ValueError, text: str, name: str) -> Problem:
    """Return the problem for what :func:`parse_toml` raised on ``text``; ``name`` is the file's, as it is shown."""
    if isinstance(error, RefusedToml):
        return Problem(f"{name}, line {error.line}" if error.line else name, error.what, error.right)
    place = _TOML_PLACE.search(str(error))
    lines = text.split("\n")
    line = int(place[1]) if place and place[1] else len(lines)
    what = printable(_TOML_PLACE.sub("", str(error)), 120)
    line = _opened(lines, line)
    column = f", column {place[2]}" if place and place[2] and int(place[1]) == line else ""
    found = lines[line - 1].strip() if line <= len(lines) else ""
    if "overwrite" in what.lower() or "declare" in what.lower():
        right = "state each section and each key once"
    else:
        right = _right(found, _section(lines[: line - 1]))
    seen = f' in "{printable(found, 50)}"' if found else ""
    return Problem(f"{name}, line {line}{column}", f"is not TOML{seen}: {what[:1].lower()}{what[1:]}", right)


def _opened(lines: list[str], line: int) -> int:
    """Return the line to look at: tomllib names the line after one whose quote or bracket is left open."""
    if line > 1 and line <= len(lines) and not _parses(lines[line - 2]) and _parses(lines[line - 1]):
        return line - 1
    return line


def _right(found: str, section: str) -> str:
    """Return what to write instead of a line, with the reason in brackets where it is not plain to see."""
    if (header := _ANY_HEADER.fullmatch(found)) and found[:1] in "[({":
        corrected = _header_line(header[1], double=found.startswith("[["))
        return f"write {corrected}" if _parses(corrected) else _GENERAL
    match = _LINE.fullmatch(found)
    if match is None:
        empty = _EMPTY.fullmatch(found)
        return f"write a value after {empty[1]} =, or leave the line out" if empty else _GENERAL
    name, said = match[1], _without_comment(match[2])
    key = _key(section, name)
    number = quantity(bare(said))
    if comma_is_open(said) and number and (whole := quantity(bare(said).replace(",", ""))):
        return f"write {name} = {whole.number} or {name} = {number.number.normalize():f}: the comma may mean either"
    for value, note in _corrections(key, said):
        if value.isprintable() and len(value) <= _LONGEST and _parses(f"{name} = {value}"):
            return f"write {name} = {value}{note}"
    if key is None:
        return _GENERAL
    if number and number.unit and key.unit:
        return f"write {key.takes}; {number.unit} is another kind of unit"
    return f"write {key.takes}"


def _header_line(said: str, *, double: bool) -> str:
    parts = said.replace(" ", ".").split(".")
    name = ".".join(part for part in parts if part)
    return f"[[{name}]]" if double or name in LIST_SECTIONS else f"[{name}]"


def _corrections(key: Key | None, said: str) -> Iterator[tuple[str, str]]:
    """Give values in TOML that ``said`` may mean, the likeliest first, each with a note on what was changed."""
    plain = said.translate(_CURLY).strip()
    curly = " (straight quotes)" if plain != said.strip() else ""
    if key is not None and (value := meant(key, said)) is not None:
        yield _toml(value), curly or _note(said, key.unit)
    if key is None and (found := quantity(bare(said))):
        unit = f", without {found.unit}, in the unit that the key takes" if found.unit else ""
        yield f"{found.number.normalize():f}", unit or _note(said, "")
    if key is None and bare(said).lower() in ("yes", "no", "on", "off", "true", "false"):
        yield "true" if bare(said).lower() in ("yes", "on", "true") else "false", ""
    if curly:
        yield plain, curly
    if plain[:1] == "[":
        yield f"{plain}]", " (one bracket was left open)"
    elif key is None or isinstance(key.kind, Text):
        if "\\" in said:
            yield f"'{bare(said)}'", " (single quotes: a backslash then means itself)"
        yield json.dumps(bare(said), ensure_ascii=False), ""


def _note(said: str, unit: str) -> str:
    """Return what was changed in a number: the unit left out or converted, a comma made a point."""
    found = quantity(bare(said))
    if found is None:
        return ""
    note = ""
    if found.unit:
        same = converted(found.number, found.unit, unit) == float(found.number)
        note = f", without {found.unit}" if same else f", in {unit}"
    return note + (" (a decimal point, not a comma)" if "," in said else "")


def _key(section: str, name: str) -> Key | None:
    """Return the key that a line states, None where it is not one of ours."""
    try:
        if not section.startswith("limits."):
            return find_key(section, name)
        limit = section.removeprefix("limits.")
        base, unit = other_units(limit).get(name, (name, ""))
        key = limit_key(limit, base)
        return replace(key, measured_in=unit) if unit else key
    except KeyError:
        return None


def _section(lines: list[str]) -> str:
    """Return the section that a line after ``lines`` belongs to."""
    headers = [header[1] for line in lines if line.lstrip()[:1] == "[" and (header := _ANY_HEADER.fullmatch(line))]
    return headers[-1].replace(" ", "") if headers else ""


def _without_comment(said: str) -> str:
    return re.sub(r"\s+#.*", "", said).strip() if said.count('"') != 2 else re.sub(r'("[^"]*")\s*#.*', r"\1", said)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else f"{value:.10g}"


def _parses(line: str) -> bool:
    try:
        parse_toml(line)
    except ValueError:
        return False
    return True


class Places:
    """Where the keys of one machine file are.

    The search is by line and knows only the usual way of writing: a header on its line, a key at the start of one.
    Where a key is written otherwise the place is named without a line.
    """

    def __init__(self, text: str, file: str) -> None:
        self._file = file
        self._lines: dict[tuple[str, str, int], int] = {}
        self._headers: dict[tuple[str, int], int] = {}
        self._scan(text)

    def of(self, section: str, key: str, index: int | None = None) -> str:
        """Return ``file, line 4, [pack] capacity_ah``; ``index`` counts tables of one name from 0."""
        table = index or 0
        line = self._lines.get((section, key, table), self._headers.get((section or key, table)))
        if line is None and section == "limits":
            line = self._headers.get((f"limits.{key}", 0))
        if line is None and not key:
            line = next((at for (name, _), at in self._headers.items() if name == section), None)
        parts = [self._file]
        if line is not None:
            parts.append(f"line {line}")
        parts.append(self._named(section, key, index))
        return ", ".join(parts)

    def _named(self, section: str, key: str, index: int | None) -> str:
        shown = printable(key)
        if not section:
            return f"[{shown}]" if (key, 0) in self._headers else shown
        if section in LIST_SECTIONS:
            number = "" if index is None else f" number {index + 1},"
            return f"{header_of(section)}{number} {shown}".rstrip()
        if section == "limits" and key:
            return f"[limits.{shown}]" if (f"limits.{key}", 0) in self._headers else f"[limits] {shown}"
        return f"[{section}] {shown}".rstrip()

    def _scan(self, text: str) -> None:
        section, table = "", 0
        counted: dict[str, int] = {}
        for number, line in enumerate(text.splitlines(), 1):
            if header := _HEADER.match(line):
                section = ".".join(part.strip().strip("\"'") for part in header[2].split("."))
                if header[1] == "[[":
                    counted[section] = counted.get(section, -1) + 1
                table = counted.get(section, 0)
                self._headers.setdefault((section, table), number)
            elif key := _KEY.match(line):
                self._lines.setdefault((section, printable(key[1].strip("\"'")), table), number)
