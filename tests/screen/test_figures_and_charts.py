"""Text of figures and times, strips as half blocks, speeds, and the entry of a mark."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from telemetry.model.time_text import clock_at, length
from telemetry.model.words import amount_text, energy_text, power_text, value_text
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.chart import chart_rows, scale_for
from telemetry.screen.digits import FIGURE_CHARACTERS, UNKNOWN
from telemetry.screen.formats import Places
from telemetry.screen.mark_entry import LONGEST, MarkEntry
from telemetry.screen.replay_keys import SPEEDS, next_speed
from telemetry.screen.theme import palette


@pytest.mark.parametrize(
    ("places", "value", "text"),
    [
        (Places(False, 3, 1), 51.84, "51.8"),
        (Places(False, 3, 1), 104.25, "104.2"),
        (Places(True, 3, 1), -7.0, "-7.0"),
        (Places(True, 3, 1), -0.04, "0.0"),
        (Places(True, 2, 2, 1000.0), 104_200.0, "104.2"),
        (Places(True, 2, 2, 1000.0), -5240.0, "-5.24"),
        (Places(False, 3, 1), 999.97, "1000"),
        (Places(False, 3, 1), 123456.0, "9999"),
        (Places(False, 1, 2), None, UNKNOWN),
        (Places(False, 1, 2), math.nan, UNKNOWN),
    ],
)
def test_figures_in_their_places(places: Places, value: float | None, text: str) -> None:
    assert places.text(value) == text


@given(
    st.builds(Places, st.booleans(), st.integers(1, 4), st.integers(0, 3), st.sampled_from([1.0, 1000.0])),
    st.floats(allow_nan=True, allow_infinity=True),
)
def test_a_figure_never_takes_more_than_its_places(places: Places, value: float) -> None:
    text = places.text(value if places.signed else abs(value))
    assert set(text) <= set(FIGURE_CHARACTERS)
    assert text == UNKNOWN or len(text.lstrip("-").replace(".", "")) <= places.whole + places.decimals


@given(st.floats(-999.0, 999.0))
def test_a_figure_says_the_value_to_its_last_place(value: float) -> None:
    assert float(Places(True, 3, 1).text(value)) == pytest.approx(value, abs=0.0500001)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0.0 s"),
        (9.94, "9.9 s"),
        (9.96, "10 s"),
        (119.0, "119 s"),
        (150.0, "2 min"),
        (7500.0, "2 h 05 min"),
        (3e5, "3 days"),
    ],
)
def test_lengths_of_time(seconds: float, text: str) -> None:
    assert length(seconds) == text


def test_times_of_the_run() -> None:
    assert clock_at(3_725_900_000, 0) == "1:02:05"
    assert clock_at(-2_000_000, 0) == "-0:00:02"


def test_values_with_their_units() -> None:
    assert power_text(-640.4) == "-640 W"
    assert power_text(999.6) == "1.00 kW"
    assert energy_text(12_346.0) == "12.35 kWh"
    assert value_text(24.4, "degC") == "24 °C"
    assert amount_text("cell_07_voltage", 3.2144) == "3.214 V"
    assert amount_text("pack_voltage", 51.84) == "51.8 V"
    assert amount_text("cell_min_number", 7.0) == "7"
    assert amount_text("extra_depth", 0.25) == "0.25"


def test_a_bar_spans_from_lowest_to_highest_and_a_gap_stays_blank() -> None:
    nan = math.nan
    low, high = np.array([0.0, 2.0, nan, 0.0, 3.9]), np.array([3.9, 2.0, nan, 0.0, 3.9])
    assert chart_rows(low, high, 2, 0.0, 4.0) == ["█▄  ▀", "█  ▄ "]


@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(0, 30)) | st.none(), min_size=1, max_size=80), st.integers(1, 12)
)
def test_no_dip_is_lost_and_no_gap_is_bridged(columns: list[tuple[float, float] | None], rows: int) -> None:
    low = np.array([math.nan if c is None else c[0] for c in columns])
    high = np.array([math.nan if c is None else c[0] + c[1] for c in columns])
    bottom, top = scale_for(low, high, 1.0)
    drawn = chart_rows(low, high, rows, bottom, top)
    assert {len(row) for row in drawn} == {len(columns)}
    dots = [
        [(cell in "▀█", cell in "▄█")[half] for row in drawn for cell in [row[c]] for half in (0, 1)]
        for c in range(len(columns))
    ]
    for column, dot in zip(columns, dots, strict=True):
        assert any(dot) == (column is not None)
        if column is not None:
            height = (top - bottom) / (2 * rows)
            lit = [place for place, on in enumerate(reversed(dot)) if on]
            assert bottom + lit[0] * height <= column[0] + 1e-6
            assert bottom + (lit[-1] + 1) * height >= column[0] + column[1] - 1e-6
            assert len(lit) == lit[-1] - lit[0] + 1


@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=20), st.sampled_from([0.04, 1.0, 4.0]), st.booleans())
def test_a_scale_has_round_edges_around_everything(values: list[float], least: float, with_zero: bool) -> None:
    known = np.array(values)
    bottom, top = scale_for(known, known, least, with_zero)
    assert bottom <= known.min() + 1e-6
    assert top >= known.max() - 1e-6
    assert top - bottom >= least * (1 - 1e-9)
    assert not with_zero or bottom <= 0.0 <= top


@pytest.mark.parametrize(
    ("present", "step", "expected"),
    [
        (1.0, 1, 2.0),
        (1.0, -1, 0.5),
        (64.0, 1, None),
        (None, 1, None),
        (None, -1, 64.0),
        (0.25, -1, 0.25),
        (3.0, 1, 4.0),
        (3.0, -1, 2.0),
    ],
)
def test_speeds_step_to_the_next_of_the_ladder(present: float | None, step: int, expected: float | None) -> None:
    assert next_speed(present, step) == expected
    assert expected in SPEEDS


@given(st.lists(st.sampled_from(["a", " ", "7", "é", "電"]), max_size=60))
def test_an_entry_holds_a_word_or_two_and_no_more(keys: list[str]) -> None:
    entry = MarkEntry(0, "0:00:00.0", lambda entry: None, 0)
    for key in keys:
        if entry.press({" ": "space"}.get(key, key), key):
            break
    assert len(entry.text) <= LONGEST
    assert entry.words.strip() == entry.words != ""


@given(st.text(max_size=30), st.integers(0, 40))
def test_fitted_text_is_exactly_as_wide(text: str, width: int) -> None:
    clean = "".join(c for c in text if c.isprintable())
    assert cell_len(fitted(clean, width)) == width


@given(
    st.lists(
        st.tuples(st.integers(-5, 40), st.integers(-1, 3), st.text(alphabet="ab電█ ", max_size=20)), max_size=12
    ),
    st.integers(1, 40),
)
def test_a_page_is_always_exactly_its_width(placed: list[tuple[int, int, str]], width: int) -> None:
    canvas = Canvas(width, 3, palette("sun", "full"))
    for x, y, text in placed:
        canvas.put(max(0, x), y, text)
    first = canvas.lines()
    assert {sum(cell_len(text) for text, _ in line) for line in first} == {width}
    again = Canvas(width, 3, canvas.palette)
    for x, y, text in placed:
        again.put(max(0, x), y, text)
    assert again.lines(canvas) == first
