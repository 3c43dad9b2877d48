"""The stage that finds how much power turns into heat between pack and controller, beyond the conductor's own.

With d the voltage between pack and controller and I the current, a path of resistance r has d = r I, and its heat
is r times the mean square of I. r comes from means over ten seconds, for the two voltages are read by different
devices at different instants: while the current changes, a difference of two single readings is mostly that delay.
What the two meters differ by at rest is taken off first. Before there has been a rest the most that they may differ
by is taken off, so the figure is the least that the readings allow. Three blocks make one figure: half a minute.

Behind an open switch the voltages part without any current, and nothing heats. A block in which the controller has
lost its supply counts for nothing, nor does the block before it, in which the supply may have begun to fail: so each
block waits for the next.
"""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import NamedTuple

import numpy as np

from telemetry.analysis.blocks import Block, Blocks, known_rows
from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.gaps import AT_MOST
from telemetry.analysis.joining import Joiner
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Values

PATH_HEAT = Group("derived", "path_heat", ("path_heat",), "derived")
BLOCK = 10 * MICROSECONDS
BLOCKS_TOGETHER = 3
REST_C, REST_AT_LEAST_A = 0.01, 1.0
"""The meters are compared while the current is below this share of the capacity per hour, 1 A at least. Ours."""
METERS_SHARE = 0.01
"""Two meters differ by at most this share of the voltage (common practice: half a percent each); a larger difference
at rest is an open main switch."""
LOAD_C, LOAD_AT_LEAST_A = 0.05, 5.0
"""Below this mean current nothing heats, and the path's resistance is not known. Ours."""
REST_BLOCKS = 5
SUPPLY_SHARE = 0.8
"""With less than this share of the pack's voltage the controller has lost its supply. Ours."""


class _Part(NamedTuple):
    """Means over one block: voltage from pack to controller (V), current (A), square of the current (A²)."""

    end: int
    volts: float
    current: float
    square: float


class PathHeat:
    """Adds ``path_heat`` every ten seconds, W: 0 while there is little load.

    Not given where one of the two voltages or the current is missing.

    Args:
        capacity_ah: of the pack.
        conductor_ohm: resistance of the stated conductor, there and back; 0 where none is stated.
    """

    def __init__(self, capacity_ah: float, conductor_ohm: float) -> None:
        self._rest_a = max(REST_AT_LEAST_A, REST_C * capacity_ah)
        self._load_a = max(LOAD_AT_LEAST_A, LOAD_C * capacity_ah)
        self._conductor = conductor_ohm
        self._joiner = Joiner()
        self._pack, self._controller = Chosen("pack_voltage"), Chosen("controller_voltage")
        self._current = Chosen("pack_current")
        self._volts, self._currents = Blocks(BLOCK), Blocks(BLOCK)
        self._offsets: deque[float] = deque(maxlen=REST_BLOCKS)
        self._waiting: _Part | None = None
        self._parts: deque[_Part] = deque(maxlen=BLOCKS_TOGETHER)

    def advance(self, span: Span) -> Span:
        """Add the result of the blocks for which both voltages are known."""
        rows = self._rows(span)
        told = [Batch.of_rows(PATH_HEAT, [t for t, _ in rows], [[heat] for _, heat in rows])] if rows else []
        return span.adding(told, complete={PATH_HEAT.key: self._joiner.decided_to})

    def _rows(self, span: Span) -> list[tuple[int, float]]:
        sides = [known_values(chosen, span) for chosen in (self._pack, self._controller)]
        t, pack, controller, _ = self._joiner.take(sides[0], sides[1], span.end)
        decided = self._joiner.decided_to
        volts = self._volts.take(t, np.column_stack([pack - controller, pack]), decided)
        # Before both voltages have come nothing is decided: what is too old to be joined is not kept for them.
        past = max(decided, span.end - 2 * AT_MOST)
        currents = {block.end: block for block in self._currents.take(*known_rows(self._current, span), past)}
        rows = []
        for block in volts:
            if block.end in currents:
                heat = self._take(block, currents[block.end].values[:, 0])
                if heat is not None:
                    rows.append((block.end, heat))
        return rows

    def _take(self, volts: Block, currents: Values) -> float | None:
        apart, pack = (float(mean) for mean in volts.values.mean(axis=0))
        rests, alike = float(np.abs(currents).max()) <= self._rest_a, abs(apart) <= METERS_SHARE * pack
        if rests and alike:
            self._offsets.append(apart)
        lost = bool((volts.values[:, 0] > (1.0 - SUPPLY_SHARE) * volts.values[:, 1]).any()) or (rests and not alike)
        before, self._waiting = self._waiting, None
        if lost or before is None or volts.end - before.end != BLOCK:
            self._parts.clear()
        else:
            self._parts.append(before)
        if not lost:
            self._waiting = _Part(volts.end, apart, float(currents.mean()), float((currents**2).mean()))
        if len(self._parts) < BLOCKS_TOGETHER:
            return None
        offset = median(self._offsets) if self._offsets else METERS_SHARE * pack
        current = np.array([part.current for part in self._parts])
        if float(current.mean()) < self._load_a:
            return 0.0
        ohm = float(((np.array([part.volts for part in self._parts]) - offset) * current).sum() / (current**2).sum())
        return max(0.0, ohm - self._conductor) * float(np.mean([part.square for part in self._parts]))
