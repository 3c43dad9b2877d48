"""The stage that says how much longer and how much further: minutes and hectares left, every ten seconds.

The formulas are those of the report (:mod:`telemetry.analysis.outlook`, :mod:`telemetry.analysis.energy_left`): time
left is the energy left over the power of the last ten minutes of use, and of all use.
Blocks of ten seconds at rest are no use and count for neither.
Hectares are distance times working width while the implement is engaged; they are told once a hundredth is done.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from telemetry.analysis.outlook import forecast, minutes_left
from telemetry.analysis.ranges import Z90, Range
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.pipeline.blocks import Blocks, known_rows
from telemetry.pipeline.derive import POWER
from telemetry.pipeline.energy_ahead import EnergyAhead
from telemetry.pipeline.estimate_charge import STATE_OF_CHARGE
from telemetry.pipeline.stage import Chosen

BLOCK = 10 * MICROSECONDS
OUTLOOK = Group(
    "derived", "outlook", ("minutes_left", "minutes_left_low", "minutes_left_session", "hectares_left"), "derived"
)
_BLOCK_H = BLOCK / MICROSECONDS / 3600.0
_LATELY, _PIECE = 60, 6  # blocks: ten minutes, and the minutes whose scatter gives the bounds
_FIRST_HA = 0.01
_M2_PER_HA = 10_000.0
_MOST_MINUTES = 1e5


class _Column:
    """One signal in blocks: the mean of each, or its last value, by the block's end."""

    def __init__(self, signal: str, *, measured: bool = True, last: bool = False) -> None:
        self._chosen = Chosen(signal, measured)
        self._blocks = Blocks(BLOCK)
        self._last = last

    def take(self, span: Span, end: int) -> dict[int, float]:
        blocks = self._blocks.take(*known_rows(self._chosen, span), end)
        return {b.end: float(b.values[-1, 0] if self._last else b.values.mean()) for b in blocks}


class Outlook:
    """Adds a row of ``OUTLOOK`` for each block of ten seconds in which the state of charge is known.

    Args:
        pack: what its owner states.
        width_m: working width; None: no hectares.
    """

    def __init__(self, pack: Pack, width_m: float | None) -> None:
        self._ahead, self._width_m = EnergyAhead(pack), width_m
        self._rest_below_w = 0.01 * pack.capacity_ah * pack.nominal_v
        self._power = _Column("pack_power", measured=False)
        self._soc = _Column("soc_estimated", measured=False, last=True)
        self._sigma = _Column("soc_uncertainty", measured=False, last=True)
        self._speed, self._engaged = _Column("vehicle_speed"), _Column("implement_engaged")
        self._lately: deque[float] = deque(maxlen=_LATELY)
        self._used_w = 0.0
        self._used_blocks = 0
        self._session_wh = 0.0
        self._done_ha = 0.0

    def advance(self, span: Span) -> Span:
        """Add what can be told of every block that is over."""
        end = min(span.complete_to(POWER), span.complete_to(STATE_OF_CHARGE))
        self._ahead.take(span, end)
        power, speed, engaged = (each.take(span, end) for each in (self._power, self._speed, self._engaged))
        soc, sigma = self._soc.take(span, end), self._sigma.take(span, end)
        t, rows = [], []
        for block in sorted(power.keys() | speed.keys() | soc.keys()):
            if block in power:
                self._count(power[block])
            if self._width_m is not None and block in speed and block in engaged:
                metres = abs(speed[block]) * engaged[block] * 1000.0 * _BLOCK_H
                self._done_ha += metres * self._width_m / _M2_PER_HA
            if block in soc and block in sigma and self._used_blocks >= _PIECE:
                t.append(block)
                rows.append(self._row(block, Range.around(soc[block], Z90 * sigma[block])))
        told = [Batch.of_rows(OUTLOOK, t, rows)] if t else []
        return span.adding(told, complete={OUTLOOK.key: end} if end < span.end else None)

    def _count(self, power_w: float) -> None:
        self._session_wh += power_w * _BLOCK_H
        if abs(power_w) > self._rest_below_w:
            self._lately.append(power_w)
            self._used_w += power_w
            self._used_blocks += 1

    def _row(self, block: int, soc_pct: Range) -> list[float]:
        left = self._ahead.at(block, soc_pct)
        recent = list(self._lately)
        pieces = [recent[max(0, last - _PIECE) : last] for last in range(len(recent), 0, -_PIECE)]
        minutes = [float(np.mean(piece)) for piece in pieces]
        lately = minutes_left(left, forecast(minutes, [len(piece) * _BLOCK_H * 3600.0 for piece in pieces]))
        whole = minutes_left(left, Range.exactly(self._used_w / self._used_blocks))
        hectares = np.nan
        if self._done_ha >= _FIRST_HA and self._session_wh > 0.0:
            hectares = left.mid * self._done_ha / self._session_wh
        shown = [lately.mid, lately.low] if lately is not None else [np.nan, np.nan]
        shown.append(whole.mid if whole is not None else np.nan)
        return [*(min(each, _MOST_MINUTES) for each in shown), hectares]
