"""TOML from a stranger's file: looked at before it is parsed, so that a small file cannot take all memory.

tomllib makes a table for each part of a dotted key and keeps flags for each: one key of 60 kB took gigabytes. The
specification lets a program refuse an integer beyond 64 bits (TOML 1.0.0, "Integer"), and further on such a number is
too large for any calculation.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

LARGEST_TEXT = 300_000
"""Characters; no machine file or frame map is longer."""
DEEPEST_KEY = 16
LONGEST_LINE = 10_000

_PART = r"""(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_DEEP_KEY = re.compile(rf"(?<![\w.-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST_KEY}}}")
_INTEGERS = range(-(2**63), 2**63)


class RefusedToml(ValueError):
    """TOML that is refused; ``line`` counts from 1, 0 where no one line is to blame."""

    def __init__(self, line: int, what: str, right: str) -> None:
        super().__init__(f"{what}; {right}")
        self.line, self.what, self.right = line, what, right


def parse_toml(text: str) -> dict[str, Any]:
    """Return the tables of ``text``.

    Raises:
        RefusedToml: too long, nested too deeply, or with a number beyond 64 bits.
        tomllib.TOMLDecodeError: it is not TOML.

    """
    if len(text) > LARGEST_TEXT:
        raise RefusedToml(0, f"holds more than {LARGEST_TEXT} characters", "name the right file")
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            raise RefusedToml(number, f"is longer than {LONGEST_LINE} characters", "write one key on each line")
        if line.count(".") >= DEEPEST_KEY and _DEEP_KEY.search(line):
            right = "write plain keys under plain sections"
            raise RefusedToml(number, f"holds a key of more than {DEEPEST_KEY} parts", right)
    try:
        tables = tomllib.loads(text)
    except RecursionError:
        right = "write plain keys under plain sections"
        raise RefusedToml(0, "nests brackets too deeply to be read", right) from None
    except ValueError as error:
        if isinstance(error, tomllib.TOMLDecodeError):
            raise
        # more digits than Python turns into a number
        raise RefusedToml(0, "holds a number too long to be read", "write each number in a few digits") from None
    _check_integers(tables, text)
    return tables


def _check_integers(tables: dict[str, Any], text: str) -> None:
    waiting: list[Any] = [tables]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting += value.values()
        elif isinstance(value, list):
            waiting += value
        elif isinstance(value, int) and value not in _INTEGERS:
            lines = text.replace("_", "").split("\n")
            line = next((n for n, line in enumerate(lines, 1) if str(abs(value)) in line), 0)
            raise RefusedToml(line, "holds a number too long to be read", "write each number in a few digits")


def toml_value(value: Any) -> str:
    """Return ``value`` as TOML writes it; text must be printable, as all text in a machine file is."""
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float():
            return repr(value)
        case str():
            return json.dumps(value, ensure_ascii=False)
        case Mapping():
            return f"{{ {', '.join(f'{toml_key(name)} = {toml_value(inner)}' for name, inner in value.items())} }}"
        case Sequence():
            return f"[{', '.join(map(toml_value, value))}]"
    raise TypeError(f"no TOML is written for {type(value).__name__}")


def table_text(header: str, values: Mapping[str, Any]) -> str:
    """Return a table, its header such as ``[pack]`` first, as TOML writes it."""
    return "\n".join([header, *(f"{toml_key(key)} = {toml_value(value)}" for key, value in values.items()), ""])


def toml_key(name: str) -> str:
    """Return a key as TOML writes it: bare where it may be, else in quotes."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name)
