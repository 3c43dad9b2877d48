"""The window of the traces: whatever is pressed, the cursor is in the session and in view."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.screen.trace_keys import time_of_digits
from telemetry.screen.trace_window import WIDTHS, TraceWindow, whole_width

SECOND = 1_000_000
KEYS = (
    *("left", "right", "pageup", "pagedown", "home", "end", "up", "down", "f", "jump", "back", "s", "x", "grow"),
    *("show", "narrow", "wide"),
)


def press(window: TraceWindow, key: str) -> None:
    times = [0, 3 * SECOND, 1234 * SECOND, 5000 * SECOND]
    match key:
        case "left" | "right":
            window.step(1 if key == "right" else -1)
        case "pageup" | "pagedown":
            window.page(1 if key == "pagedown" else -1)
        case "home":
            window.to_start()
        case "end":
            window.to_end()
        case "up" | "down":
            window.zoom(1 if key == "down" else -1)
        case "f":
            window.whole()
        case "jump" | "back":
            window.jump([t for t in times if t <= window.length], 1 if key == "jump" else -1)
        case "s":
            window.set_end()
        case "x":
            window.ends = ()
        case "grow":
            window.fit(window.length + 7 * SECOND, window.grows, window.columns)
        case "show":
            window.show(777 * SECOND, WIDTHS[3])
        case _:
            window.fit(window.length, window.grows, 30 if key == "narrow" else 150)


@given(
    st.lists(st.sampled_from(KEYS), max_size=40),
    st.sampled_from([0, 1, SECOND, 95 * SECOND, 36_000 * SECOND, 10 * 86_400 * SECOND]),
    st.booleans(),
    st.integers(1, 160),
)
def test_the_cursor_stays_in_the_session_and_in_view(keys: list[str], length: int, grows: bool, columns: int) -> None:
    window = TraceWindow(follows=grows)
    window.fit(length, grows, columns)
    for key in keys:
        press(window, key)
        assert 0 <= window.cursor <= window.length
        assert 0 <= window.cursor_column < window.columns
        assert window.first >= 0
        assert window.width is None or window.width in WIDTHS
        assert len(window.ends) <= 2
        if window.width is None:
            assert window.columns * window.each > window.length
        if window.follows:
            assert window.cursor == window.length
            assert window.grows
    span = window.span
    assert span is None or span[0] <= span[1]


@given(st.integers(1, 40 * 86_400 * SECOND), st.integers(1, 200), st.booleans())
def test_the_whole_drive_fits_and_fills_the_columns(length: int, columns: int, grows: bool) -> None:
    width = whole_width(length, columns, grows)
    assert width * columns >= length
    if not grows and length > 20 * columns * SECOND:
        assert width * columns <= 1.06 * length + columns * SECOND


@given(st.integers(0, 35_000), st.integers(1, 150))
def test_zooming_in_and_out_keeps_the_cursor_where_it_is_on_the_screen(second: int, columns: int) -> None:
    window = TraceWindow()
    window.fit(36_000 * SECOND, False, columns)
    window.show(second * SECOND, 10 * SECOND)
    before = window.cursor_column
    window.zoom(-1)
    inside = window.first > 0 and window.first + columns < window.length // window.each
    assert window.cursor == second * SECOND
    assert not inside or window.cursor_column == before


def test_a_live_window_follows_until_the_cursor_is_moved_and_again_after_f_twice() -> None:
    window = TraceWindow(follows=True, width=2 * SECOND)
    window.fit(600 * SECOND, True, 60)
    assert window.cursor_column == 59
    window.step(-1)
    window.fit(700 * SECOND, True, 60)
    assert window.cursor == 598 * SECOND
    window.whole()
    assert window.width is None
    assert not window.follows
    window.whole()
    assert window.follows
    assert window.cursor == 700 * SECOND
    assert window.width == 2 * SECOND


def test_jumps_go_to_the_exact_time_and_stop_at_the_last() -> None:
    window = TraceWindow()
    window.fit(100 * SECOND, False, 50)
    times = [1_234_567, 50 * SECOND]
    assert window.jump(times, 1)
    assert window.cursor == 1_234_567
    assert window.jump(times, 1)
    assert not window.jump(times, 1)
    assert window.jump(times, -1)
    assert window.cursor == 1_234_567
    assert not window.jump(times, -1)


@pytest.mark.parametrize(
    ("digits", "seconds"),
    [("1549", 949), ("0:15:49", 949), ("5", 5), ("90", 90), ("100", 60), ("10000", 3600), ("", None), ("hill", None)],
)
def test_digits_are_hours_minutes_and_seconds_from_the_right(digits: str, seconds: int | None) -> None:
    assert time_of_digits(digits) == (None if seconds is None else seconds * SECOND)
