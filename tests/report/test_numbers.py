"""Figures as printed: no more digits than the uncertainty leaves, and the unit a person uses."""

from __future__ import annotations

import re
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.ranges import Range
from telemetry.report.numbers import UNKNOWN, figure, three, three_lengths

sane = st.floats(-1e6, 1e6, allow_subnormal=False)
spreads = st.floats(1e-4, 1e5)
UNITS = st.sampled_from(["W", "Wh", "Ah", "%", "mV", "Wh/ha"])


@pytest.mark.parametrize(
    ("value", "unit", "sigma", "text"),
    [
        (1870.0, "Wh", 25.0, "1.87 ± 0.04 kWh"),
        (10716.0, "W", None, "10.7 kW"),
        (60.3, "%", 9.2, "60 ± 15 %"),
        (12.34, "%", 0.58, "12.3 ± 1.0 %"),
        (98.94, "%", 0.51, "98.9 ± 0.8 %"),
        (26.27, "mΩ", 0.28, "26.3 ± 0.5 mΩ"),
        (-0.0123, "%", None, "-0.0123 %"),
        (-0.004, "Wh", 0.1, "0.00 ± 0.16 Wh"),
        (0.0, "Wh", 0.0, "0 Wh"),
        (None, "Wh", 1.0, UNKNOWN),
        (999.7, "W", None, "1.00 kW"),
    ],
)
def test_figures(value: float | None, unit: str, sigma: float | None, text: str) -> None:
    assert figure(value, unit, sigma) == text


@given(sane, UNITS, st.none() | spreads)
def test_nothing_that_only_a_program_writes(value: float, unit: str, sigma: float | None) -> None:
    text = figure(value, unit, sigma)
    assert not re.search(r"e[+-]\d|nan|inf|(^|\s)-0(\.0+)?(\s|$)|± 0(\.0+)?(\s|$)", text), text


@given(sane, UNITS, spreads)
def test_what_stands_after_plus_minus_is_half_of_the_90_percent_interval(
    value: float, unit: str, sigma: float
) -> None:
    # The normal distribution's 5 % and 95 % points lie 1.645 standard deviations from its mean (any table of it).
    text = figure(value, unit, sigma)
    thousand = 1000.0 if " k" in text else 1.0
    number, _, rest = text.partition(" ± ")
    if not rest:
        assert 1.645 * sigma / thousand < 1e-6
        return
    half = float(rest.split()[0])
    step = 10.0 ** -len(number.partition(".")[2])
    assert half == pytest.approx(1.645 * sigma / thousand, abs=0.51 * step)
    assert float(number) == pytest.approx(value / thousand, abs=0.51 * step)


def test_ranges() -> None:
    assert three(Range(1.03, 1.39, 1.75), "ha") == "1.4 ha (1.0 to 1.8)"
    assert three(Range(8.1, 13.0, 18.9), "days") == "13 days (8 to 19)"
    assert three(Range(7.0, inf, inf), "days") == "7.00 days or more"
    assert three(Range(2.0, 4.0, inf), "days") == "4.00 days (2.00 or more)"
    assert three(Range(4.0, 4.0, 4.0), "days") == "4.00 days"
    assert three(None, "ha") == UNKNOWN
    assert three_lengths(None) == UNKNOWN
    assert three_lengths(Range(2.0, 4.0, inf)) == "2 h 00 min or more"
    assert three_lengths(Range(2.0, 2.0, 2.0)) == "2 h 00 min"
    assert three_lengths(Range(0.104, 0.232, 0.316)) == "14 min (6 min to 19 min)"
    assert three_lengths(Range(2.0, 2.19, 2.37)) == "2 h 11 min (2 h 00 min to 2 h 22 min)"
