"""The drive in characters: one dip shows, gaps are not bridged, values are where the scale says; and the colours."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.parts_seen import Worst
from telemetry.report.chart_data import Chart, Curve, Moment, Piece
from telemetry.report.drive_strip import COLUMNS, drive_lines
from telemetry.report.part_row import Bound, PartRow, make_row
from telemetry.report.session_text import painted

_BLOCKS = re.compile("[█▀▄]")
_LEFT = 8


def voltage(*pieces: Piece, minutes: float = 60.0, moments: tuple[Moment, ...] = ()) -> Chart:
    spans = ((0.0, minutes / 2, "drive"), (minutes / 2, minutes, "rest"))
    return Chart("voltage", "Voltage", "V", (Curve("pack", pieces),), (0.0, minutes), (0.0, 1.0), spans, moments)


def steady(start: float, end: float, volts: float = 80.0) -> Piece:
    x = np.linspace(start, end, 200)
    return Piece(x, np.full(200, volts), np.full(200, volts))


def limit(volts: float) -> PartRow:
    return make_row("pack-low-voltage", "", "V", Worst(70.0, 1.0), Bound(volts, None, "", 80.0, "low"), "")


def lane(lines: list[str]) -> list[str]:
    """The rows of the lane, without its scale."""
    begin = next(number for number, line in enumerate(lines) if line.startswith("Pack voltage"))
    return [line[_LEFT:].ljust(COLUMNS) for line in lines[begin + 1 : begin + 4]]


@given(place=st.integers(1, 198))
@settings(max_examples=40, deadline=None)
def test_a_dip_of_one_reading_reaches_the_lowest_row(place: int) -> None:
    piece = steady(0.0, 60.0)
    piece.low[place] = 60.0
    rows = lane(drive_lines([voltage(piece)], [limit(60.0)]))
    column = min(int(piece.x[place] / 60.0 * COLUMNS), COLUMNS - 1)
    assert _BLOCKS.match(rows[-1][column])
    assert sum(bool(_BLOCKS.match(cell)) for cell in rows[-1]) <= 2  # itself, and the column that reaches to it


def test_the_controllers_voltage_is_not_called_the_packs() -> None:
    """A drive without ``pack_voltage``: the limit of the pack does not belong beside it either."""
    found = voltage(steady(0.0, 60.0))
    of_controller = Chart(**{**vars(found), "curves": (Curve("controller", found.curves[0].pieces),)})
    assert "Controller voltage, V" in drive_lines([of_controller], [limit(60.0)])
    assert "Pack voltage, V; ─ limit 60" in drive_lines([found], [limit(60.0)])


def test_time_without_data_is_shown_and_not_joined() -> None:
    rows = lane(drive_lines([voltage(steady(0.0, 20.0), steady(40.0, 60.0, 70.0))], []))
    for row in rows:
        assert set(row[26:46]) == {"░"}
        assert "░" not in row[:24] + row[50:]


def test_scale_limit_phases_and_time_are_where_the_values_are() -> None:
    lines = drive_lines([voltage(steady(0.0, 60.0))], [limit(60.0)])
    rows = lane(lines)
    assert set(rows[0]) == {"▀"}, "80 V at the top"
    assert set(rows[-1]) == {"─"}, "the limit at the bottom"
    text = "\n".join(lines)
    assert re.search(r"^ +80 ▀", text, re.M)
    assert re.search(r"^ +60 ─", text, re.M)
    assert "· at rest   ░ driving" in text
    assert f"{'░' * 36}{'·' * 36}" in text
    assert "limit 60" in text
    assert lines[-1].split() == ["0:00:00", "0:10:00", "0:20:00", "0:30:00", "0:40:00", "0:50:00"]


def test_alarms_and_marks_are_named_in_whole_lines_and_placed() -> None:
    moments = tuple(Moment(float(n), "A" if n % 2 else "M", f"number {n} of some") for n in range(0, 60, 6))
    moments += (Moment(59.9, "A", "the last"),)
    lines = drive_lines([voltage(steady(0.0, 60.0), moments=moments)], [])
    assert all(len(line) <= _LEFT + COLUMNS for line in lines)
    places = next(line for line in lines if line.strip(" ■◆") == "" and line.strip())[_LEFT:]
    assert places.rstrip()[-1] == "■"
    assert len(places.rstrip()) == COLUMNS
    assert "and 5 more, below" in "\n".join(lines)
    assert "◆ 0:00:00 number 0 of some" in lines[0]


def test_nothing_to_draw_is_no_line() -> None:
    assert drive_lines([], []) == []


@pytest.mark.parametrize("shape", "■▲●?")
def test_colours_change_no_character_and_stop_at_the_end_of_what_they_are_for(shape: str) -> None:
    bar = "██▌░░│" if shape != "?" else "      │"
    text = f"{shape} PARK: why\n{shape} pack voltage   60 V   {bar}\nFigures ● no row │"
    shown = painted(text)
    assert re.sub(r"\x1b\[[\d;]*m", "", shown) == text
    first, row, plain = shown.split("\n")
    assert first.startswith("\x1b[")
    assert row.endswith("\x1b[0m")
    assert "\x1b" not in plain
