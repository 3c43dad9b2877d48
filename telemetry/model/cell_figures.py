"""What comparing the cells with the load counted has found of each so far, for whoever shows them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CellFigure:
    """One cell against the middle one.

    Attributes:
        ohm: internal resistance over some ten seconds, links included; None where the load has not shown it.
        times: the same over the middle cell's.
        behind_ah: charge it lacks against the middle cell, at least, Ah; None where the voltages do not show any.
    """

    ohm: float | None
    times: float | None
    behind_ah: float | None


@dataclass(frozen=True, slots=True)
class CellFigures:
    """All cells.

    Attributes:
        t: end of the block that they were found at last, int microseconds.
        steps: steps of load that the resistances are from, older ones fading.
        cells: by the cell's number.
    """

    t: int
    steps: float
    cells: dict[int, CellFigure]
