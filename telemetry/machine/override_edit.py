"""Writes an owner's numbers into ``[limits.NAME]`` of a machine file's text, and leaves every other byte as it is.

The text is edited by line, not rewritten from its meaning, so comments, blanks and order stay. The result is read
again: it must mean the old file with just these changes, or nothing is written.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from telemetry.machine.limit_values import limit_key_names, limits_meant, other_units, read_typed_limit
from telemetry.machine.limits import LIMIT_NAMES
from telemetry.machine.sections import section_keys
from telemetry.model.errors import InputError, did_you_mean, printable
from telemetry.model.keys import BadValue
from telemetry.model.toml_text import parse_toml, toml_value


@dataclass(frozen=True, slots=True)
class Change:
    """One value to set, or to take out: ``value`` None. ``key`` None takes the whole table out."""

    limit: str
    key: str | None
    value: object = None

    @property
    def place(self) -> str:
        """What is changed, as written in the file: ``[limits.soc-low] warn``."""
        return f"[limits.{self.limit}]" + (f" {self.key}" if self.key else "")


def setting(said: str) -> Change:
    """Return the change that ``NAME.KEY=VALUE`` asks for; the value may carry its unit.

    Raises:
        InputError: no such limit or key, or a value that it does not take.

    """
    place, equals, value = said.partition("=")
    limit, key, unit = _place(place)
    if not equals or not value.strip() or key is None:
        raise InputError(f"--set: {printable(said)!r} is not NAME.KEY=VALUE, such as cell-imbalance-top.warn=2%")
    try:
        return Change(limit, key, read_typed_limit(limit, key, value.strip(), unit))
    except BadValue as bad:
        raise InputError(f"--set {limit}.{key}: {bad.what}; {bad.right}") from None


def unsetting(said: str) -> Change:
    """Return the change that takes ``NAME`` or ``NAME.KEY`` out.

    Raises:
        InputError: no such limit or key.

    """
    limit, key, _ = _place(said)
    return Change(limit, key)


def _place(said: str) -> tuple[str, str | None, str]:
    """Return limit, key and, where the key names one, the unit that its value is in."""
    limit, dot, key = said.strip().removeprefix("limits.").partition(".")
    limit, key = limit.strip(), key.strip()
    if limit not in LIMIT_NAMES:
        near = " or ".join(limits_meant(limit))
        right = f"did you mean {near}?" if near else "shakedown limits lists them"
        raise InputError(f"there is no limit {printable(limit)!r}; {right}")
    if not dot:
        return limit, None, ""
    ours = [each.name for each in section_keys("limits")]
    base, unit = other_units(limit).get(key, (key, ""))
    if base not in ours:
        near = did_you_mean(base, limit_key_names(limit)) or f"; its keys are {', '.join(ours)}"
        raise InputError(f"{limit} has no key {printable(base)!r}{near}")
    return limit, base, unit


def edited(text: str, changes: Sequence[Change]) -> str:
    """Return the text of a machine file with ``changes``, in its own line ends.

    Raises:
        InputError: there is nothing to take out, or the file states these limits in a form that is not edited here.

    """
    stated = parse_toml(text)
    lines = text.split("\n")
    for change in changes:
        lines = _edited(lines, change)
    result = "\n".join(lines)
    if _meaning(result) != _changed(stated, changes):
        raise InputError(
            f"{changes[0].place} is written in a form that is not edited here, and nothing was changed; write it "
            f"below a line [limits.{changes[0].limit}] in a text editor"
        )
    return result


def _edited(lines: list[str], change: Change) -> list[str]:
    header = re.compile(rf"\s*\[\s*limits\s*\.\s*(['\"]?){re.escape(change.limit)}\1\s*\]\s*(?:#.*)?")
    start = next((at for at, line in enumerate(lines) if header.fullmatch(line)), None)
    end_of_line = "\r" if lines[0].endswith("\r") else ""
    new = f"{change.key} = {_written(change.value)}{end_of_line}"
    if start is None:
        if change.value is None:
            return lines
        blank = [] if len(lines) <= 1 or not lines[-2].strip() else [end_of_line]
        whole = lines[:-1] if not lines[-1].strip() else [*lines[:-1], lines[-1] + end_of_line]
        return [*whole, *blank, f"[limits.{change.limit}]{end_of_line}", new, ""]
    end = next((at for at in range(start + 1, len(lines)) if lines[at].lstrip().startswith("[")), len(lines))
    keys = [at for at in range(start + 1, end) if "=" in lines[at] and not lines[at].lstrip().startswith("#")]
    names = "|".join(map(re.escape, _spellings(change)))
    own = re.compile(rf"(\s*)(?:{names})(\s*=\s*)([^#]*?)(\s*(?:#.*)?)")
    stated = {at: match for at in keys if (match := own.fullmatch(lines[at]))}
    if change.value is None:
        gone = {start, *keys} if change.key is None or set(keys) == set(stated) else set(stated)
        return [line for at, line in enumerate(lines) if at not in gone]
    if stated:
        at, match = next(iter(stated.items()))
        line = f"{match[1]}{change.key}{match[2]}{_written(change.value)}{match[4]}"
        return [*lines[:at], line, *lines[at + 1 :]]
    last = max([start, *keys])
    return [*lines[: last + 1], new, *lines[last + 1 :]]


def _written(value: object) -> str:
    return f"{value:.10g}" if isinstance(value, float) else toml_value(value) if value is not None else ""


def _spellings(change: Change) -> tuple[str, ...]:
    """Return the keys of the file that state what is changed, those in other units included."""
    others = (name for name, (base, _) in other_units(change.limit).items() if base == change.key)
    return (change.key or "", *others)


def _meaning(text: str) -> dict[str, Any]:
    try:
        found = parse_toml(text)
    except ValueError:
        return {}
    return found | {"limits": found.get("limits", {})}


def _changed(tables: dict[str, Any], changes: Sequence[Change]) -> dict[str, Any]:
    """Return what the file must mean once it is edited; InputError where there is nothing to take out."""
    tables = copy.deepcopy(tables)
    limits = tables.setdefault("limits", {})
    for change in changes:
        table = limits.get(change.limit, {})
        if change.value is None and not (table if change.key is None else set(table) & set(_spellings(change))):
            raise InputError(f"{change.place} is not stated in the file, so there is nothing to take out")
        if change.key is None:
            del limits[change.limit]
            continue
        limits[change.limit] = table
        for name in _spellings(change):
            table.pop(name, None)
        if change.value is not None:
            table[change.key] = change.value
        if not table:
            del limits[change.limit]
    return tables
