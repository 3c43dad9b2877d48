"""The stage that tells the pack's resistance as the session runs, from the load steps of the last quarter hour."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.cell_lag import Track, changes, pairs_of
from telemetry.analysis.resistance import LEAST_STEPS, count_steps, least_current
from telemetry.analysis.series import Series
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Values
from telemetry.pipeline.blocks import Block, Blocks, known_rows
from telemetry.pipeline.derive import DERIVED
from telemetry.pipeline.stage import Chosen

RESISTANCE = Group(DERIVED, "resistance", ("pack_resistance",), "derived")
BLOCK = 60 * MICROSECONDS
KEPT_BLOCKS = 15
_MOST_DOUBT = 0.05
_LEAST_ROWS = 8


@dataclass(frozen=True, eq=False)
class _Sums:
    """One block's rows, added up: products of change of current, time and slope, and of each with the voltage."""

    number: int
    squares: Values
    products: Values
    volt_squares: float
    rows: int
    rows_a_second: float
    steps: int


class EstimateResistance:
    """Gives ``pack_resistance``, ohm, once a minute while the load steps of the last quarter hour tell it to 5 %.

    It is the mean over the first second after a step, as in :mod:`telemetry.analysis.resistance`. A minute is looked
    at when it is over, so the row comes up to a minute late; it bears the time of the minute's last row of voltage.
    """

    def __init__(self, pack: Pack) -> None:
        self._least_a = least_current(pack)
        self._current, self._voltage = Chosen("pack_current"), Chosen("pack_voltage")
        self._blocks = (Blocks(BLOCK), Blocks(BLOCK))
        self._kept: deque[_Sums] = deque()

    def advance(self, span: Span) -> Span:
        """Add a row for each minute that was over within the span and after which the resistance is known."""
        current, voltage = (
            {block.end: block for block in blocks.take(*known_rows(chosen, span), span.end)}
            for blocks, chosen in zip(self._blocks, (self._current, self._voltage), strict=True)
        )
        t, values = [], []
        for end in sorted(current.keys() & voltage.keys()):
            self._take(current[end], voltage[end])
            ohm = self._resistance()
            if ohm is not None:
                t.append(int(voltage[end].t[-1]))
                values.append([ohm])
        complete = {RESISTANCE.key: span.end // BLOCK * BLOCK - 1} if not span.final else None
        return span.adding([Batch.of_rows(RESISTANCE, t, values)], complete=complete)

    def _take(self, current: Block, voltage: Block) -> None:
        number = voltage.end // BLOCK
        while self._kept and self._kept[0].number <= number - KEPT_BLOCKS:
            self._kept.popleft()
        start = int(voltage.t[0])
        pairs = pairs_of(voltage.t, start)
        if pairs is None or len(current.t) < _LEAST_ROWS:
            return
        track = Track(Series(current.t, current.values[:, 0]), start)
        features, known = changes(pairs, track, 0.0)
        use = known & (track.at(pairs.last_s) > self._least_a)
        if np.count_nonzero(use) < _LEAST_ROWS:
            return
        x = features[use, :3]
        volts = (voltage.values[pairs.after, 0] - voltage.values[pairs.before, 0])[use]
        # row by row, not by a matrix product, whose last bits may depend on where in memory its rows lie
        squares, products = (x[:, :, None] * x[:, None, :]).sum(axis=0), (x * volts[:, None]).sum(axis=0)
        steps = count_steps(x[:, 0], pairs.last_s[use], self._least_a)
        self._kept.append(
            _Sums(number, squares, products, float((volts**2).sum()), len(volts), 1 / pairs.interval_s, steps)
        )

    def _resistance(self) -> float | None:
        if sum(each.steps for each in self._kept) < LEAST_STEPS:
            return None
        squares = sum((each.squares for each in self._kept), np.zeros((3, 3)))
        products = sum((each.products for each in self._kept), np.zeros(3))
        rows = sum(each.rows for each in self._kept)
        inverse = np.linalg.inv(squares + np.diag(1e-9 * np.diag(squares) + 1e-12))
        factors = inverse @ products
        left = max(0.0, sum(each.volt_squares for each in self._kept) - float(factors @ products))
        # changes over a second that begin in the same second share their rows
        independent = max(1.0, rows / max(1.0, self._kept[-1].rows_a_second) - 3)
        ohm = -float(factors[0])
        doubt = float(np.sqrt(left / rows * inverse[0, 0] * rows / independent))
        return ohm if ohm > 0 and doubt < _MOST_DOUBT * ohm else None
