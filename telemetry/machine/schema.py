"""The machine file as a JSON Schema (draft 2020-12), for editors that complete, explain and check keys as you type.

The schema is made from the same table of keys as the file's own reader. It cannot say what keys contradict each
other, so a file that an editor finds right may still be refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from telemetry.machine.fault_codes import SECTION, fault_codes_schema
from telemetry.machine.limit_values import IN_THE_SIGNALS_UNIT, limit_key, other_units
from telemetry.machine.limits import CONDITION_NAMES, LIMIT_NAMES, LIMIT_SIGNALS
from telemetry.machine.sections import PLAIN_SECTIONS, SECTIONS, TITLES, section_keys
from telemetry.model.kinds import Number
from telemetry.model.tables import table_schema
from telemetry.model.units import converted

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def machine_schema(drivers: Mapping[str, type] | None = None) -> dict[str, Any]:
    """Return the schema of a whole machine file; ``drivers``: the tables of their own keys, by driver."""
    plain = {
        section: {"description": TITLES[section]} | table_schema(SECTIONS[section]) for section in PLAIN_SECTIONS
    }
    return {
        "$schema": DIALECT,
        "title": "Machine file",
        "description": "What the owner states of one machine.",
        "type": "object",
        "required": ["pack"],
        "additionalProperties": False,
        "properties": {
            **plain,
            "source": _sources(drivers or {}),
            "publish": {
                "type": "array",
                "description": f"{TITLES['publish']}: one [[publish]] for each".capitalize(),
                "items": table_schema(SECTIONS["publish"]),
            },
            "limits": _limits(),
            SECTION: fault_codes_schema(),
        },
    }


def _sources(drivers: Mapping[str, type]) -> dict[str, Any]:
    """Return the list of sources; of a driver that is not known here any keys are allowed."""
    keys = section_keys("source")
    ours = {key.name: key.schema for key in keys}
    return {
        "type": "array",
        "description": "Where readings come from: one [[source]] for each device",
        "items": {
            "type": "object",
            "required": [key.name for key in keys if key.required],
            "properties": ours,
            "allOf": [
                {"if": {"properties": {"driver": {"const": name}}}, "then": _own_keys(table, ours)}
                for name, table in drivers.items()
            ],
        },
    }


def _own_keys(table: type, ours: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a source of one driver takes: its own keys beside those of every source."""
    own = table_schema(table)
    return own | {"properties": {**ours, **own["properties"]}}


def _limits() -> dict[str, Any]:
    return {
        "type": "object",
        "description": "Your numbers in place of ours, for one limit",
        "additionalProperties": False,
        "properties": {limit: _limit(limit) for limit in LIMIT_NAMES},
    }


def _limit(limit: str) -> dict[str, Any]:
    bounded = limit not in CONDITION_NAMES
    names = [key.name for key in section_keys("limits") if bounded or key.name in ("enabled", "latched")]
    properties = {name: _bound(limit, name) for name in names}
    for name, (base, unit) in other_units(limit).items():
        properties[name] = _bound(limit, base, unit)
    watched = f"Watches {LIMIT_SIGNALS[limit]}" if bounded else "No number decides it"
    return {"type": "object", "description": watched, "additionalProperties": False, "properties": properties}


def _bound(limit: str, name: str, unit: str = "") -> dict[str, Any]:
    """Return what one key of a limit takes; 0 always passes, as in the reader."""
    key = limit_key(limit, name)
    if name not in IN_THE_SIGNALS_UNIT or not isinstance(key.kind, Number):
        return key.schema
    unit = unit or key.unit
    low, high = (converted(Decimal(repr(bound)), key.unit, unit) for bound in (min(key.range[0], 0.0), key.range[1]))
    shown = f" ({unit})" if unit else ""
    return key.schema | {
        "minimum": low,
        "maximum": high,
        "description": f"{key.meaning}{shown}. Find it: {key.find}.",
    }
