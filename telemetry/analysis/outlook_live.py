"""The stage that says what is left, every ten seconds: charge, energy, minutes, hectares, and energy after the work.

Charge, energy and what the work leaves of it are judged at the low end of their 90 % intervals, as the screen and the
report show them: running out costs more than turning early. The charge is the estimate's low end, where it is known
to ±15 % or better: a pack that may be at 40 or at 0 % is no reason for a warning at 20. Else it is what the pack
itself reports, for which nobody states an error.

The formulas are those of the report (:mod:`telemetry.analysis.outlook`, :mod:`telemetry.analysis.energy_left`): time
left is the energy left over the power of the last ten minutes of use, and of all use. Blocks of ten seconds at rest
are no use and count for neither.

The work done is distance times working width while the implement is engaged (overlap counts twice, so the need is
rather too high), the energy for it all that was used since the start.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from telemetry.analysis.blocks import BlockFigures, Blocks, known_rows
from telemetry.analysis.charge_live import STATE_OF_CHARGE
from telemetry.analysis.charge_voltage import fast_ohm
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.derive import POWER
from telemetry.analysis.energy_left import Load, capacity_range, find_energy_left
from telemetry.analysis.outlook import forecast, minutes_left
from telemetry.analysis.ranges import Z90, Range
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span

BLOCK = 10 * MICROSECONDS
SOC_LOWER_BOUND = Group("derived", "soc_lower_bound", ("soc_lower_bound",), "derived")
ENERGY_LEFT = Group("derived", "energy_left", ("energy_left",), "derived")
ENERGY_MARGIN = Group("derived", "energy_margin", ("energy_margin",), "derived")
OUTLOOK = Group(
    "derived", "outlook", ("minutes_left", "minutes_left_low", "minutes_left_session", "hectares_left"), "derived"
)
MOST_UNCERTAIN = 15.0
"""Half of the 90 % interval of the state of charge, %, above which the estimate is no ground for a warning."""
FIRST_SHARE = 0.05
"""The need of an area is known once this share of it is done: before that the first turns dominate."""
SQUARE_METRES_PER_HECTARE = 10_000.0
_BLOCK_H = BLOCK / MICROSECONDS / 3600.0
_LATELY, _PIECE = 60, 6  # blocks: ten minutes, and the minutes whose scatter gives the bounds
_FIRST_HA = 0.01
_MOST_MINUTES = 1e5
_OHM_SHARE = 0.05
"""Live resistance is given out where it is known to a standard deviation of 5 %, so twice that is a safe bound."""


class Outlook:
    """Adds what is left wherever the charge is known: the low end of charge and energy, and the outlook.

    With the area of the job ``energy_margin`` too.

    Args:
        pack: what its owner states.
        width_m: working width; None: no hectares.
        area_ha: of the job; None where the machine file does not say.
    """

    def __init__(self, pack: Pack, width_m: float | None = None, area_ha: float | None = None) -> None:
        self._pack, self._width_m, self._area_ha = pack, width_m, area_ha
        self._capacity_ah = capacity_range(pack)
        self._rest_below_w = 0.01 * pack.capacity_ah * pack.nominal_v
        self._means = {name: BlockFigures(name, BLOCK) for name in ("vehicle_speed", "implement_engaged")}
        self._means["pack_power"] = BlockFigures("pack_power", BLOCK, measured_only=False)
        self._lasts = {
            name: BlockFigures(name, BLOCK, measured_only=name == "soc_reported", last=True)
            for name in ("soc_estimated", "soc_uncertainty", "soc_reported", "pack_resistance")
        }
        self._current, self._currents = Chosen("pack_current"), Blocks(BLOCK)
        self._load, self._highest_pct = Load(), 0.0
        self._ohm = fast_ohm(pack)
        self._lately: deque[float] = deque(maxlen=_LATELY)
        self._used_w, self._used_blocks = 0.0, 0
        self._session_wh = self._done_ha = 0.0

    def advance(self, span: Span) -> Span:
        """Add what can be told of every block that is over."""
        end = min(span.complete_to(POWER), span.complete_to(STATE_OF_CHARGE))
        found = {name: figures.take(span, end) for name, figures in (self._means | self._lasts).items()}
        currents = {
            block.end: block.values[:, 0] for block in self._currents.take(*known_rows(self._current, span), end)
        }
        groups = (SOC_LOWER_BOUND, ENERGY_LEFT, ENERGY_MARGIN, OUTLOOK)
        told: dict[Group, dict[int, list[float]]] = {group: {} for group in groups}
        for t in sorted(set(currents).union(*found.values())):
            if t in currents:
                self._load.take(currents[t])
            now = {name: rows[t] for name, rows in found.items() if t in rows}
            for group, row in self._take(now).items():
                told[group][t] = row
        return span.adding(
            [Batch.of_rows(group, list(rows), list(rows.values())) for group, rows in told.items() if rows],
            complete=dict.fromkeys((group.key for group in groups), end),
        )

    def _take(self, now: dict[str, float]) -> dict[Group, list[float]]:
        """Take the figures of one block; return what they say is left."""
        if "pack_resistance" in now:
            ohm = now["pack_resistance"]
            self._ohm = fast_ohm(self._pack, Range.around(ohm, 2.0 * _OHM_SHARE * ohm))
        if "pack_power" in now:
            self._count(now["pack_power"])
        if self._width_m is not None and "vehicle_speed" in now and "implement_engaged" in now:
            metres = abs(now["vehicle_speed"]) * now["implement_engaged"] * 1000.0 * _BLOCK_H
            self._done_ha += metres * self._width_m / SQUARE_METRES_PER_HECTARE
        estimated = None
        if "soc_estimated" in now and "soc_uncertainty" in now:
            estimated = Range.around(now["soc_estimated"], Z90 * now["soc_uncertainty"])
        charge = estimated
        if charge is None or charge.mid - charge.low > MOST_UNCERTAIN:
            charge = Range.exactly(now["soc_reported"]) if "soc_reported" in now else None
        told: dict[Group, list[float]] = {}
        left = None
        if charge is not None:
            self._highest_pct = max(self._highest_pct, charge.mid)
            left = self._energy(charge)
            told = {SOC_LOWER_BOUND: [max(0.0, charge.low)], ENERGY_LEFT: [left.low]}
            if self._area_ha is not None and self._done_ha >= FIRST_SHARE * self._area_ha:
                rest = max(0.0, self._area_ha - self._done_ha)
                told[ENERGY_MARGIN] = [left.low - rest * max(0.0, self._session_wh) / self._done_ha]
        if estimated is not None and self._used_blocks >= _PIECE:
            told[OUTLOOK] = self._outlook(
                left if left is not None and charge == estimated else self._energy(estimated)
            )
        return told

    def _energy(self, soc_pct: Range) -> Range:
        """Return the energy left now, Wh."""
        return find_energy_left(soc_pct, self._pack, self._capacity_ah, self._load, self._ohm, self._highest_pct)

    def _count(self, power_w: float) -> None:
        self._session_wh += power_w * _BLOCK_H
        if abs(power_w) > self._rest_below_w:
            self._lately.append(power_w)
            self._used_w += power_w
            self._used_blocks += 1

    def _outlook(self, left: Range) -> list[float]:
        recent = list(self._lately)
        pieces = [recent[max(0, last - _PIECE) : last] for last in range(len(recent), 0, -_PIECE)]
        minutes = [sum(piece) / len(piece) for piece in pieces]
        at_this_rate = minutes_left(left, forecast(minutes, [len(piece) * _BLOCK_H * 3600.0 for piece in pieces]))
        whole = minutes_left(left, Range.exactly(self._used_w / self._used_blocks))
        hectares = np.nan
        if self._done_ha >= _FIRST_HA and self._session_wh > 0.0:
            hectares = left.mid * self._done_ha / self._session_wh
        shown = [at_this_rate.mid, at_this_rate.low] if at_this_rate is not None else [np.nan, np.nan]
        shown.append(whole.mid if whole is not None else np.nan)
        return [*(min(each, _MOST_MINUTES) for each in shown), hectares]
