"""A machine file without what its owner wrote in words: numbers, switches and choices stay, names and texts go."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, time
from functools import cache
from typing import Any

from telemetry.machine.schema import machine_schema
from telemetry.model.signals import find_signal
from telemetry.model.toml_text import parse_toml

_SOURCE_KEYS = frozenset(
    (
        *("driver", "name", "sign_of_current", "isolated", "prefer", "lag_s", "silence_s", "baud_rate", "parity"),
        *(
            "stop_bits",
            "interval_s",
            "timeout_s",
            "unit",
            "standard",
            "instance",
            "node",
            "close_after_s",
            "bit_rate",
        ),
        *("listen_only", "interface", "scan_s", "scenario", "seed", "fault", "bench", "rate_hz", "cells"),
    )
)


def anonymous_machine(text: str, sources: Mapping[str, str], drivers: frozenset[str]) -> str:
    """Return the machine file ``text`` without comments, names, texts, ports and addresses.

    Args:
        text: a machine file; one that is not TOML gives an empty one.
        sources: what each source is called instead, by its name.
        drivers: names allowed as ``driver``.

    """
    try:
        tables = parse_toml(text)
    except ValueError:
        return ""
    schema = machine_schema()["properties"]
    lines: list[str] = []
    for section, about in schema.items():
        value = tables.get(section)
        if section == "source" and isinstance(value, list):
            numbered = list(sources.values())
            for number, table in enumerate(value):
                kept = {key: table[key] for key in table if key in _SOURCE_KEYS and _may_stay(table[key], drivers)}
                kept["name"] = sources.get(str(table.get("name")), (*numbered, "source")[min(number, len(numbered))])
                lines += ["", "[[source]]", *(f"{key} = {_toml(item)}" for key, item in kept.items())]
        elif isinstance(value, Mapping):
            lines += _section([section], value, about, drivers)
    return "\n".join(lines).strip() + "\n"


def _section(
    names: list[str], table: Mapping[str, Any], about: Mapping[str, Any], drivers: frozenset[str]
) -> list[str]:
    known = about.get("properties", {})
    lines, below = ["", f"[{'.'.join(names)}]"], []
    for key, value in table.items():
        if key not in known:
            continue
        if isinstance(value, Mapping):
            below += _section([*names, key], value, known[key], drivers)
        elif key == "name":
            lines.append('name = "machine"')
        elif _may_stay(value, drivers):
            lines.append(f"{key} = {_toml(value)}")
    return [*lines, *below]


def _may_stay(value: Any, drivers: frozenset[str]) -> bool:
    """Return whether a value is a number, a switch, a date or a word of the program's own."""
    if isinstance(value, bool | int | float | date | time):
        return True
    if isinstance(value, str):
        return value in drivers or value in _choices() or _is_plain_signal(value)
    return isinstance(value, list) and all(_may_stay(one, drivers) for one in value)


def _is_plain_signal(name: str) -> bool:
    return find_signal(name) is not None and not name.startswith("extra_")


@cache
def _choices() -> frozenset[str]:
    found: set[str] = {
        "even",
        "odd",
        "none",
        "rv-c",
        "j1939",
        "nmea-2000",
        "canopen-418",
        "socketcan",
        "slcan",
        "virtual",
    }
    waiting: list[Any] = [machine_schema()]
    while waiting:
        each = waiting.pop()
        if isinstance(each, Mapping):
            found.update(one for one in each.get("enum", ()) if isinstance(one, str))
            waiting += each.values()
    return frozenset(found)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value)
