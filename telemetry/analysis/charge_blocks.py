"""A session cut into blocks of ten seconds: what the estimate of charge looks at, exact in charge, cheap in rows.

Charge is counted row by row by the trapezoid; each stretch between two rows belongs to the block in which it ends, so
that nothing is lost and no block waits for a row of the next. Voltage is averaged. Averaging loses nothing that tells
of charge: resistance and polarisation act linearly on both means.

Blocks begin at whole multiples of ten seconds of the data's own time, so it does not matter how the rows were cut.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

BLOCK = 10 * MICROSECONDS
BINS = 10
"""Seconds of a block; within each the current counts as even."""

_HOUR = 3600.0 * MICROSECONDS


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks of ten seconds that hold current, in time order.

    Attributes:
        t: int64 (n,), time of the last row of current in each, microseconds.
        number: int64 (n,), the block's number: its begin is ``number * BLOCK``.
        charge_ah: float64 (n,), charge that went out in it, Ah.
        missing_s: float64 (n,), seconds before it (since the row before) that no current is known of; 0 mostly.
        current: float64 (n, BINS), mean current of each second, A.
        volts: float64 (n,), mean voltage of one cell, V; NaN where none was read.

    """

    t: Times
    number: Times
    charge_ah: Values
    missing_s: Values
    current: Values
    volts: Values

    def __len__(self) -> int:
        return len(self.t)

    def one(self, place: int) -> Blocks:
        """Return one of them."""
        return Blocks(*(getattr(self, each.name)[place : place + 1] for each in fields(self)))


def cut_blocks(
    current: tuple[Times, Values, Flags],
    voltage: tuple[Times, Values],
    before: tuple[int, float] | None = None,
) -> Blocks:
    """Return the blocks of some rows of current and voltage.

    Args:
        current: times, A, and whether the interval that leads to each row is bridged (see ``GapRule``).
        voltage: times and V of one cell, none NaN.
        before: time and value of the row of current before the first, where there is one.

    """
    t, amperes, bridged = current
    number, first = np.unique(t // BLOCK, return_index=True)
    before_t, before_a = (int(t[0]), float(amperes[0])) if before is None else before
    hours = np.diff(t, prepend=before_t) / _HOUR
    earlier = np.concatenate([[before_a], amperes[:-1]])
    means = 0.5 * (earlier + amperes)
    charge = np.where(bridged, means * hours, 0.0)
    missing = np.where(bridged, 0.0, hours * 3600.0)
    row = np.searchsorted(number, t // BLOCK)
    volts_row = np.searchsorted(number, voltage[0] // BLOCK)
    known = volts_row < len(number)
    known[known] = number[volts_row[known]] == voltage[0][known] // BLOCK
    sums = _sums(volts_row[known], voltage[1][known], len(number))
    counts = np.bincount(volts_row[known], minlength=len(number))
    last = np.concatenate([first[1:], [len(t)]]) - 1
    return Blocks(
        t[last],
        number,
        _sums(row, charge, len(number)),
        _sums(row, missing, len(number)),
        _seconds(row, (t % BLOCK) // (BLOCK // BINS), amperes, len(number)),
        np.where(counts > 0, sums / np.maximum(counts, 1), np.nan),
    )


def _sums(place: Times, values: Values, count: int) -> Values:
    return np.asarray(np.bincount(place, weights=values, minlength=count), dtype=np.float64)


def _seconds(row: Times, second: Times, amperes: Values, blocks: int) -> Values:
    """Return the mean current of each second of each block; seconds without a row get the block's mean."""
    place = row * BINS + second
    sums = _sums(place, amperes, blocks * BINS).reshape(blocks, BINS)
    counts = np.bincount(place, minlength=blocks * BINS).reshape(blocks, BINS)
    means = sums / np.maximum(counts, 1)
    whole = (means * (counts > 0)).sum(axis=1) / np.maximum((counts > 0).sum(axis=1), 1)
    return np.where(counts > 0, means, whole[:, None])
