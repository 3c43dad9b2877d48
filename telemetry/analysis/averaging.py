"""The stage that says what steady current would have heated pack and wiring as much as the real one has.

Each part on the way (pack, conductor, fuse, connector) has a rating and a time constant, and so a root mean square of
its own over a window that fades. The part nearest its rating decides: its mean over its rating, times the lowest
rating of all. A steady current reads as itself. See :mod:`telemetry.machine.limits_current` for the time constants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from telemetry.analysis.blocks import Blocks, Parted, known_rows
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.gaps import GapRule, steps
from telemetry.machine.limits_current import Part
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span

DISCHARGE = Group("derived", "discharge_current_average", ("discharge_current_average",), "derived")
CHARGE = Group("derived", "charge_current_average", ("charge_current_average",), "derived")
CHARGER_AFTER_S = 60.0
"""Current that has flowed in for so long comes from a charger; before that it may be braking, which does not take the
charger's wires. Ours."""


class _Way:
    """The parts of one way and how warm each is, as the mean of the current's square."""

    def __init__(self, parts: Sequence[Part]) -> None:
        self._least = min(part.rating_a for part in parts)
        self._windows = [part.window_s for part in parts]
        self._weights = [(self._least / part.rating_a) ** 2 for part in parts]
        self._is_pack = [part.name == "pack" for part in parts]
        self._squares = [0.0] * len(parts)

    def take(self, seconds: float, square: float, pack_only: bool = False) -> float:
        """Carry a current with that mean square for so long; return the equivalent steady current, A."""
        worst = 0.0
        for place, window in enumerate(self._windows):
            heating = 0.0 if pack_only and not self._is_pack[place] else square
            kept = math.exp(-seconds / window)
            self._squares[place] = kept * self._squares[place] + (1.0 - kept) * heating
            worst = max(worst, self._weights[place] * self._squares[place])
        return math.sqrt(worst)


class Averaging:
    """Adds ``discharge_current_average`` and ``charge_current_average`` once a second.

    A gap in the current neither warms nor cools.

    Args:
        discharge, charge: the parts of each way; the signal of a way without parts is not given.
    """

    def __init__(self, discharge: Sequence[Part], charge: Sequence[Part]) -> None:
        self._current = Chosen("pack_current")
        self._blocks = Blocks(MICROSECONDS)
        self._rule = GapRule()
        self._last: tuple[int, float] | None = None
        self._discharge = _Way(discharge) if discharge else None
        self._charge = _Way(charge) if charge else None
        self._charging_s = 0.0

    def advance(self, span: Span) -> Span:
        """Add a row of each for every second that is over."""
        over = self._blocks.parted(*known_rows(self._current, span), span.end)
        if over is None:
            return span
        out, into = self._take(over)
        batches = []
        if self._discharge is not None:
            batches.append(Batch(DISCHARGE, over.ends, np.array(out).reshape(-1, 1)))
        if self._charge is not None:
            batches.append(Batch(CHARGE, over.ends, -np.array(into).reshape(-1, 1)))
        return span.adding(batches=batches)

    def _take(self, over: Parted) -> tuple[list[float], list[float]]:
        """Return the steady currents out and in, both >= 0, equivalent to everything up to each block's end."""
        t, current = over.t, over.values[:, 0]
        before_t, before = self._last if self._last is not None else (int(t[0]), float(current[0]))
        self._last = (int(t[-1]), float(current[-1]))
        seconds = np.where(self._rule.take(t), steps(t, before_t) / MICROSECONDS, 0.0)
        earlier = np.concatenate([[before], current[:-1]])
        # the mean square of a straight line from a to b is (a² + ab + b²) / 3; rows of either sign count for its way
        out, out_before = np.maximum(current, 0.0), np.maximum(earlier, 0.0)
        whole = over.sums(seconds)
        squares = [
            over.sums(seconds * (a * a + a * b + b * b)) / np.maximum(3.0 * whole, 1e-9)
            for a, b in ((out_before, out), (out_before - earlier, out - current))
        ]
        into_only = np.maximum.reduceat(current, over.edges[:-1]) < 0.0
        found: tuple[list[float], list[float]] = ([], [])
        for lasts, square_out, square_in, charges in zip(
            *(each.tolist() for each in (whole, *squares, into_only)), strict=True
        ):
            self._charging_s = self._charging_s + lasts if charges else 0.0
            if self._discharge is not None:
                found[0].append(self._discharge.take(lasts, square_out))
            if self._charge is not None:
                braking = self._charging_s < CHARGER_AFTER_S
                found[1].append(self._charge.take(lasts, square_in, pack_only=braking))
        return found
