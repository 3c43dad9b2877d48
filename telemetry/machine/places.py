"""Finds the line of a key in a TOML text, so that a message can name it; tomllib keeps no lines."""

from __future__ import annotations

import re

from telemetry.model.errors import printable
from telemetry.model.keys import LIST_SECTIONS, header_of

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*(?:=|\.)""")


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
