"""Where everything is in the drive view at each size of the terminal. Places depend on the size alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

LEAST_SIZE = (60, 17)
"""Columns and rows below which there is no room for gauges."""
_LEAST_GAUGE = 27
_MOST_TRACE = 8
_LEAST_TRACE = 2
BAR_ROWS = 3


@dataclass(frozen=True)
class _Step:
    """One step of sizes: from how many rows on, and what is drawn how large.

    Attributes:
        rows: of the terminal, from which on this step is taken if its columns fit too.
        scale: of the three large figures, and the cells they take.
        top: row of the first lane.
        lane: rows of a lane without a trace, and the blank rows after it.
        right_scale: of the four smaller figures, 0 for plain text, and the cells they take.
        gaps: cells left of the large figures, before the gauges and before the smaller figures.
        past: cells of a gauge behind its limit.
        band: rows of the band.
        foot: blank rows before the band and after it.

    """

    rows: int
    scale: int
    digits: int
    top: int
    lane: int
    blank: int
    right_scale: int
    right: int
    gaps: tuple[int, int, int]
    past: int
    band: int
    foot: tuple[int, int]

    @property
    def columns(self) -> int:
        """Columns that it needs at least."""
        return self.gaps[0] + self.digits + self.gaps[1] + _LEAST_GAUGE + self.gaps[2] + self.right + (self.scale > 1)

    @property
    def least_rows(self) -> int:
        """Rows that it needs with no trace at all."""
        return self.top + 3 * self.lane + 2 * self.blank + sum(self.foot) + self.band + 1


_STEPS = (
    _Step(60, 5, 72, 2, 13, 2, 3, 38, (1, 4, 3), 7, 11, (2, 1)),
    _Step(45, 4, 56, 2, 10, 1, 2, 32, (1, 3, 3), 5, 9, (1, 0)),
    _Step(40, 3, 44, 2, 9, 1, 2, 24, (1, 3, 3), 4, 7, (1, 0)),
    _Step(24, 2, 28, 1, 5, 1, 1, 16, (1, 2, 2), 2, 4, (1, 0)),
    _Step(17, 1, 19, 1, 3, 1, 0, 12, (0, 1, 1), 2, 3, (1, 0)),
)


@dataclass(frozen=True)
class Frame:
    """Places at one size, in cells and rows from the upper left corner.

    Attributes:
        scale, right_scale: of the large and of the smaller figures; 0 for plain text.
        digits_end: column after the large figures, which are right-aligned; ``digits`` cells wide.
        gauge: column where gauges begin, ``wall`` that of the limit, ``past`` cells behind it.
        right: column of the smaller figures, ``right_width`` cells wide.
        lanes: row of each lane, ``lane_rows`` high, of which ``trace_rows`` are a trace.
        bars: rows of a bar.
        band_y: first row of the band, ``band_rows`` high; it has ``band_width`` cells from column 1.

    """

    scale: int
    right_scale: int
    digits: int
    digits_end: int
    gauge: int
    wall: int
    past: int
    right: int
    right_width: int
    lanes: tuple[int, int, int]
    lane_rows: int
    bars: int
    trace_rows: int
    band_y: int
    band_rows: int
    band_width: int

    @property
    def slots(self) -> tuple[int, int, int, int]:
        """Row of each of the four smaller figures."""
        return (*self.lanes, self.band_y)


@lru_cache(maxsize=16)
def frame_for(width: int, height: int) -> Frame | None:
    """Return the places at this size: the largest figures that fit both ways; None where no gauge fits."""
    if width < LEAST_SIZE[0] or height < LEAST_SIZE[1]:
        return None
    step = next(s for s in _STEPS if height >= s.rows and width >= s.columns)
    bars = BAR_ROWS if step.scale > 1 else 1
    spare = height - step.least_rows
    traced = step.lane - bars - 2
    added = min(spare // 3, max(0, _MOST_TRACE - traced))
    lane = step.lane + added
    trace = traced + added if traced + added >= _LEAST_TRACE else 0
    right = width - step.right - (step.scale > 1)
    gauge = step.gaps[0] + step.digits + step.gaps[1]
    end = right - step.gaps[2]
    lanes = tuple(step.top + n * (lane + step.blank) for n in range(3))
    band_y = lanes[2] + lane + step.foot[0]
    return Frame(
        step.scale,
        step.right_scale,
        step.digits,
        step.gaps[0] + step.digits,
        gauge,
        end - step.past - 1,
        step.past,
        right,
        step.right,
        (lanes[0], lanes[1], lanes[2]),
        lane,
        bars,
        trace,
        band_y,
        height - 1 - step.foot[1] - band_y,
        end - 1,
    )
