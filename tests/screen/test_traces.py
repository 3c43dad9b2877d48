"""The traces view as text, by state, size and colours; and that it holds at every size. Invented values throughout.

``python -m tests.screen.test_traces`` writes the texts in ``snapshots/traces/`` anew. Read them before you commit.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from telemetry.screen.canvas import Canvas
from telemetry.screen.theme import FULL, GAUGE, Colours, Light, palette
from telemetry.screen.trace_lanes import lane_kind, lane_scale
from telemetry.screen.traces import places_for
from telemetry.screen.units import IMPERIAL, METRIC
from tests.screen.drive_states import LIMITS, START
from tests.screen.trace_states import SECOND, STATES, drive, looked_at, scene_at

SNAPSHOTS = Path(__file__).parent / "snapshots" / "traces"
TAKEN: tuple[tuple[str, tuple[int, int], Light, Colours], ...] = (
    *((name, (80, 24), "sun", "full") for name in STATES),
    *((name, (160, 45), "sun", "full") for name in ("review", "whole", "live")),
    ("review", (120, 40), "dusk", "full"),
    ("review", (160, 45), "dusk", "full"),
    ("review", (80, 24), "sun", "none"),
    ("review", (160, 45), "sun", "none"),
    ("review", (60, 17), "sun", "full"),
    ("review", (200, 60), "sun", "full"),
)


def drawn(name: str, size: tuple[int, int], light: Light, colours: Colours) -> Canvas:
    make, word = STATES[name]
    traces = make(size)
    canvas = Canvas(*size, palette(light, colours))
    traces.draw(canvas, scene_at(traces, word))
    return canvas


def text_of(canvas: Canvas) -> str:
    """Return the text, and below it which cells are drawn on or in which colours, where there are any."""
    lines = canvas.lines()
    text = "".join(f"{''.join(text for text, _ in line).rstrip()}\n" for line in lines)
    if not canvas.palette.colours:
        return text
    named = {(style.color, style.bgcolor): name for name, style in _styles(canvas).items()}
    shades = "".join(
        f"{''.join(named.get((style.color, style.bgcolor), '?') * len(text) for text, style in line).rstrip()}\n"
        for line in lines
    )
    return f"{text}{'-' * canvas.width}\n{shades}"


def _styles(canvas: Canvas):  # type: ignore[no-untyped-def]
    """Return a letter for each pair of colours: capitals on the page, small ones on pale red."""
    pair = canvas.palette.pair
    found = {letter: pair("trace" if n == 1 else f"trace {n}", "page") for n, letter in enumerate("ABCD", start=1)}
    found |= {letter: pair("page", "trace" if n == 1 else f"trace {n}") for n, letter in enumerate("EFGH", start=1)}
    found |= {letter: pair("trace" if n == 1 else f"trace {n}", "alarm") for n, letter in enumerate("abcd", start=1)}
    found |= {letter: pair("alarm", "trace" if n == 1 else f"trace {n}") for n, letter in enumerate("efgh", start=1)}
    found |= {
        "!": pair("beyond", "page"),
        "l": pair("beyond", "alarm"),
        "p": pair("ink", "alarm"),
        ":": pair("idle", "page"),
    }
    found |= {
        "w": pair("ink", "work"),
        "v": pair("ink", "drive"),
        "r": pair("ink", "track"),
        "o": pair("trace", "track"),
    }
    found |= {
        "O": pair("area", "trace"),
        "_": pair("ink", "area"),
        " ": canvas.palette.figure,
        ".": canvas.palette.label,
    }
    return found


def path_of(name: str, size: tuple[int, int], light: Light, colours: Colours) -> Path:
    more = "" if (light, colours) == ("sun", "full") else f"-{light if colours == 'full' else colours}"
    return SNAPSHOTS / f"{name}-{size[0]}x{size[1]}{more}.txt"


@pytest.mark.parametrize(("name", "size", "light", "colours"), TAKEN)
def test_the_traces_look_as_they_were_accepted(
    name: str, size: tuple[int, int], light: Light, colours: Colours
) -> None:
    assert text_of(drawn(name, size, light, colours)) == path_of(name, size, light, colours).read_text("utf-8")


def test_no_snapshot_is_left_over() -> None:
    assert {path.name for path in SNAPSHOTS.glob("*.txt")} == {path_of(*taken).name for taken in TAKEN}


@pytest.mark.parametrize("name", sorted(STATES))
@pytest.mark.parametrize("colours", ["full", "sixteen", "none"])
def test_every_state_is_drawn_at_every_size_without_a_cell_too_many(name: str, colours: Colours) -> None:
    make, word = STATES[name]
    for size in (
        (44, 8),
        (44, 12),
        (60, 17),
        (61, 19),
        (79, 23),
        (80, 24),
        (99, 31),
        (120, 40),
        (160, 45),
        (200, 60),
    ):
        traces = make(size)
        canvas = Canvas(*size, palette("dusk", colours))
        traces.draw(canvas, scene_at(traces, word))
        for line in canvas.lines():
            assert sum(len(text) for text, _ in line) == size[0]
            assert all(text.isprintable() for text, _ in line)


@pytest.mark.parametrize("height", range(6, 70))
@pytest.mark.parametrize("wanted", [1, 2, 3, 4])
def test_places_do_not_overlap_and_end_before_the_footer(height: int, wanted: int) -> None:
    at = places_for(120, height, wanted)
    rows = [0]
    for first, size in ((at.signs, 1), (at.overview, at.overview_rows), (at.phases, 1), (at.names, 1)):
        rows += range(first, first + size) if first >= 0 else ()
    for first in at.lanes:
        rows += range(first, first + at.lane_rows)
    rows += [at.axis, at.axis + 1, *range(at.span, at.span + at.span_rows)]
    assert len(rows) == len(set(rows))
    assert rows == sorted(rows)
    assert len(at.lanes) >= 1
    assert at.lane_rows >= 1
    assert height < 12 or rows[-1] < height - 1
    assert height < 24 or at.lane_rows >= 3


def test_a_dip_of_one_row_is_drawn_at_every_zoom() -> None:
    """The cell below its lowest neighbour shows a bar that reaches down, whatever a column covers."""
    past = drive(step_s=0.5, gap=False)
    chunk = past._rows["pack", "pack"].closed[0]
    chunk.low[1300, 0] = 61.0  # 650 s
    for width in (0.1, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, None):
        traces = looked_at(past, 650, width, (160, 45))
        canvas = Canvas(160, 45, palette("sun", "full"))
        traces.draw(canvas, scene_at(traces))
        at = traces.places
        column = at.x + traces.window.cursor_column
        lowest = [
            "".join(text for text, _ in canvas.lines()[y])[column]
            for y in range(at.lanes[0], at.lanes[0] + at.lane_rows)
        ]
        assert sum(cell not in " │─" for cell in lowest) >= 3, (width, lowest)


def test_the_scale_holds_for_the_session_and_has_the_limit_on_it() -> None:
    past = drive()
    limits = {limit.name: limit for limit in LIMITS}
    scale = lane_scale(past, lane_kind("cell_min_voltage", METRIC), limits)
    assert (scale.bottom, scale.top) == pytest.approx((2.4, 3.4))
    assert scale.limit is not None
    assert (scale.limit.value, scale.limit.word) == (2.5, "cut-off")
    scale = lane_scale(past, lane_kind("pack_current", METRIC), limits)
    assert scale.bottom <= 0.0
    assert scale.top >= 153.0
    assert scale.limit is not None
    assert scale.limit.value == 142.0


def test_speed_and_temperature_follow_the_units() -> None:
    assert lane_kind("vehicle_speed", IMPERIAL).text(16.09344, 16.09344) == "10.0"
    assert lane_kind("motor_temperature", IMPERIAL).text(0.0, 100.0) == "32 to 212"
    assert lane_kind("pack_power", METRIC).text(-40.0, 8560.0) == "-0.04 to 8.56"


@pytest.mark.parametrize("light", ["sun", "dusk"])
def test_traces_can_be_told_apart_and_from_the_page(light: Light) -> None:
    """At least 3 to 1 against the page, as WCAG 2.1 asks of graphics (success criterion 1.4.11)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))

    page = luminance(FULL[light]["figure"][1])
    for name in ("trace", "trace 2", "trace 3", "trace 4"):
        lighter, darker = sorted((luminance(GAUGE[light][name]), page), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 3.0


def test_a_click_on_a_lane_and_on_the_whole_drive_is_a_time() -> None:
    traces = looked_at(drive(), 949, 2, (160, 45))
    traces.draw(Canvas(160, 45, palette("sun", "full")), scene_at(traces))
    at, window = traces.places, traces.window
    assert traces.time_at(at.x, at.lanes[0]) == window.first * window.each
    assert traces.time_at(at.x + 5, at.axis) == (window.first + 5) * window.each
    assert traces.time_at(at.x, at.overview) == 0
    assert traces.time_at(at.x + at.columns - 1, at.overview) > 2400 * SECOND  # type: ignore[operator]
    assert traces.time_at(0, at.lanes[0]) is None
    assert traces.time_at(at.x, 0) is None
    assert traces.cursor == START + 949 * SECOND


if __name__ == "__main__":
    import os
    import time

    from tests.conftest import ODD_ZONE

    os.environ["TZ"] = ODD_ZONE
    time.tzset()
    SNAPSHOTS.mkdir(parents=True, exist_ok=True)
    for each in SNAPSHOTS.glob("*.txt"):
        each.unlink()
    for taken in TAKEN:
        path_of(*taken).write_text(text_of(drawn(*taken)), "utf-8")
