"""Figures are rounded once by what their fields declare, and JSON holds exactly what is shown."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.ranges import Range
from telemetry.model.figures import HIDDEN, figure_field
from telemetry.report.figure_object import as_object, rounded


@dataclass(frozen=True)
class Inner:
    digits: ClassVar = 1

    share: float
    exact: float | None = figure_field("share", 4)


@dataclass(frozen=True)
class Outer:
    energy_wh: float | None = figure_field("energy")
    left: Range | None = None
    parts: tuple[Inner, ...] = ()
    by_name: Mapping[str, float] = field(default_factory=dict)
    secret: float = field(default=1 / 3, metadata=HIDDEN)
    unknown: Mapping[str, str] = field(default_factory=dict)


def test_each_field_is_rounded_to_its_own_places_else_its_class_s_else_six() -> None:
    found = rounded(Outer(1 / 3, Range(1 / 3, 0.5, 2 / 3), (Inner(2 / 3, 2 / 3),), {"a": 1 / 7}))
    assert found.energy_wh == 0.333333
    assert found.left == Range(0.333333, 0.5, 0.666667)
    assert found.parts == (Inner(0.7, 0.6667),)
    assert found.by_name == {"a": 0.142857}
    assert found.secret == 1 / 3


def test_json_shows_neither_hidden_fields_nor_reasons() -> None:
    assert as_object(Outer(2.0, unknown={"left": "why"})) == {
        "energy_wh": 2.0,
        "left": None,
        "parts": [],
        "by_name": {},
    }


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_figure_that_is_not_finite_is_not_known(value: float) -> None:
    assert rounded(Outer(value)).energy_wh is None


def test_a_range_keeps_that_it_has_no_bound_and_json_says_none() -> None:
    found = rounded(Outer(left=Range(1.0, 2.0, math.inf)))
    assert found.left == Range(1.0, 2.0, math.inf)
    assert as_object(found)["left"] == [1.0, 2.0, None]


@given(st.floats(), st.floats(), st.booleans() | st.integers() | st.text())
def test_json_is_made_of_any_value_and_rounding_again_changes_nothing(one: float, two: float, other: object) -> None:
    value = (Outer(one, Range(one, one, two), (Inner(two, one),), {"a": two}), other)
    once = rounded(value)
    if not math.isnan(one) and not math.isnan(two):
        assert rounded(once) == once
    assert as_object(once) == as_object(value)
    json.dumps(as_object(value), allow_nan=False)
