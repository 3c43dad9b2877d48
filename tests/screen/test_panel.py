"""What goes to the terminal: every row up to its last change, so that nothing old is left on the screen."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from telemetry.screen.canvas import Line
from telemetry.screen.header import _time_of_day
from telemetry.screen.panel import Panel, _last_change, _regions

STYLES = [Style(bold=bold, color=colour) for bold in (False, True) for colour in ("red", "blue")]
RUNS = st.lists(st.tuples(st.text(alphabet="ab █電", min_size=1, max_size=6), st.sampled_from(STYLES)), max_size=6)
WIDTH = 24


def line_of(runs: list[tuple[str, Style]]) -> Line:
    """Runs cut or filled up to the width."""
    line, at = [], 0
    for text, style in runs:
        size = min(cell_len(text), WIDTH - at)
        if size:
            line.append((set_cell_size(text, size), style))
            at += size
    return (*line, (" " * (WIDTH - at), STYLES[0])) if at < WIDTH else tuple(line)


def cells(line: Line) -> list[tuple[str, Style]]:
    """A line cell by cell; the second of a wide character is empty."""
    return [
        cell
        for text, style in line
        for character in text
        for cell in ((character, style), ("", style))[: cell_len(character)]
    ]


@given(RUNS, RUNS)
def test_what_is_sent_of_a_row_makes_it_the_new_row(
    before: list[tuple[str, Style]], after: list[tuple[str, Style]]
) -> None:
    old, new = line_of(before), line_of(after)
    end = _last_change(old, new)
    sent = Strip([Segment(text, style) for text, style in new], WIDTH).crop(0, end)
    shown = cells(tuple((segment.text, segment.style or Style()) for segment in sent)) + cells(old)[end:]
    assert shown == cells(new)


@given(st.dictionaries(st.integers(0, 40), st.integers(1, WIDTH)))
def test_regions_hold_every_changed_row_and_no_other(rows: dict[int, int]) -> None:
    regions = _regions(sorted(rows.items()))
    assert {y: region.width for region in regions for y in range(region.y, region.bottom)} == rows
    assert sum(region.height for region in regions) == len(rows)


async def test_a_row_is_sent_only_up_to_its_last_change(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.drive(5, lowest=3.2, pack_voltage=25.6, pack_current=40.0)
        rig.screen.paint()
        await pilot.pause()
        panel, asked = rig.screen.query_one(Panel), []
        panel.refresh = lambda *regions, **_: asked.extend(regions)
        await rig.after(0.6, pack_voltage=25.5, pack_current=40.0)
        rig.screen.paint()
        assert asked
        assert all(region.width < 100 for region in asked if region.y > 0), asked


def test_a_time_far_off_is_left_out() -> None:
    assert _time_of_day(10**20) == ""
    assert len(_time_of_day(1_700_000_000_000_000)) == 5
