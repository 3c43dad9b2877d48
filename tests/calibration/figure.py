"""What a figure of the calibration is: sessions in, rows of stated and true values out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from tests.calibration.case import Case, Kind

CHECKPOINT_S = 600.0


@dataclass(frozen=True, slots=True)
class Row:
    """One stated value and its truth.

    Attributes:
        kind: of pack, for the lines of the table.
        session: which session: rows of one session share their errors, so they are counted together.
        minute: of the session.
        value, low, high: as stated, with the 90 % interval; ``truth`` in the same unit.
    """

    kind: str
    session: str
    minute: float
    value: float
    low: float
    high: float
    truth: float


@dataclass(frozen=True)
class Figure:
    """One figure that the program states with an interval.

    Attributes:
        name: for the command line; ``title``: for people; ``unit``: of its values.
        kinds: from which its sessions are drawn.
        rows: what the program states of one session, at checkpoints of ten minutes or once; empty where it says
            that it does not know.
        floors: for the tests: least share of checkpoints held, and the most mean half-width; None where too few
            sessions state it for a test of a few.
    """

    name: str
    title: str
    unit: str
    kinds: tuple[Kind, ...]
    rows: Callable[[Case], Iterable[Row]]
    floors: tuple[float, float] | None


def checkpoints(t: np.ndarray) -> np.ndarray:
    """Return the places in ``t`` (microseconds) next to each ten minutes since its first, without the first."""
    marks = np.arange(t[0] + CHECKPOINT_S * 1e6, t[-1] + 1, CHECKPOINT_S * 1e6)
    return np.unique(np.searchsorted(t, marks).clip(0, len(t) - 1))
