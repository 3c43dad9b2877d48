"""Figures of a report rounded once, so that text, page, JSON and comparison say the same; and any of it as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import is_dataclass, replace
from typing import Any, TypeVar

from telemetry.analysis.ranges import Range
from telemetry.model.figures import shown_fields

DIGITS = 6
"""Decimal places of a figure whose field and class state no others."""
_Any = TypeVar("_Any")


def rounded(value: _Any, digits: int = DIGITS) -> _Any:
    """Return ``value`` with every float in it rounded; what is not finite is None, but for the bounds of a range.

    Those of a dataclass are rounded to the places that field or class states, see :mod:`telemetry.model.figures`.
    """
    return _rounded(value, digits)  # type: ignore[no-any-return]


def as_object(value: Any) -> Any:
    """Return ``value`` rounded, for JSON: dataclasses as objects by their fields, ranges as [low, likely, high]."""
    return _plain(_rounded(value, DIGITS))


def _rounded(value: Any, digits: int) -> Any:
    if isinstance(value, float):
        return round(float(value), digits) if math.isfinite(value) else None
    if isinstance(value, Range):
        return Range(*(round(float(each), digits) for each in value))
    if isinstance(value, tuple | list):
        return tuple(_rounded(each, digits) for each in value)
    if isinstance(value, Mapping):
        return {key: _rounded(each, digits) for key, each in value.items()}
    if not is_dataclass(value) or isinstance(value, type):
        return value
    usual = getattr(value, "digits", digits)
    places = {each.name: each.metadata.get("digits") or usual for each in shown_fields(value)}
    return replace(value, **{name: _rounded(getattr(value, name), each) for name, each in places.items()})


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: _plain(getattr(value, each.name)) for each in shown_fields(value)}
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
