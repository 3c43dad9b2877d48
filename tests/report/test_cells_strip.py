"""The bars of the cells in the text report: every cell once, the odd one told, never wider than the terminal."""

from __future__ import annotations

import re
from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.resistance import CellResistance, Resistance
from telemetry.report.session_model import Report
from telemetry.report.session_text import cells_lines


def report(*mohm: float) -> Report:
    cells = tuple(
        CellResistance(n, each, 0.01, each / median(mohm), 0.01, 0.01, 0.0) for n, each in enumerate(mohm, 1)
    )
    return Report("a drive", resistance=Resistance(cells=cells))


def test_the_odd_cell_has_the_tallest_bar_and_is_named() -> None:
    lines = cells_lines(report(0.8, 0.8, 2.4, 0.8, 0.9))
    bars = re.findall("[▁-█]", lines[1])
    assert bars.index("█") == 2
    assert lines[-1] == "cell 3 has 3.00× the middle one's, the others 1.00× to 1.12×"
    assert "the middle one has 0.80 mΩ" in lines[0]


def test_like_cells_are_no_alarm_to_the_eye() -> None:
    assert set(re.findall("[▁-█]", cells_lines(report(0.80, 0.81, 0.82))[1])) == {"▅"}, "two thirds of 1.5 times"


@pytest.mark.parametrize("count", [0, 1])
def test_what_has_nothing_to_be_compared_with_is_not_drawn(count: int) -> None:
    assert cells_lines(report(*[0.8] * count)) == []


@given(st.lists(st.floats(0.05, 900.0), min_size=2, max_size=200))
@settings(max_examples=50, deadline=None)
def test_every_cell_has_a_bar_and_every_line_fits(mohm: list[float]) -> None:
    lines = cells_lines(report(*mohm))
    assert all(len(line) <= 80 for line in lines)
    assert sum(len(re.findall("[▁-█]", line)) for line in lines[1:-1]) == len(mohm)
