"""The stage that says what is left: charge that is there at least, energy, and energy against the rest of the work.

Everything is judged in blocks of ten seconds, each at the low end of its 90 % interval, as the screen and the report
show it: running out costs more than turning early. The charge is the estimate's low end, where it is known to ±15 %
or better: a pack that may be at 40 or at 0 % is no reason for a warning at 20. Else it is what the pack itself
reports, for which nobody states an error.

The work done is distance times working width while the implement is engaged (overlap counts twice, so the need is
rather too high), the energy for it the mean power of pack voltage and current since the start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.ranges import Z90, Range
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.pipeline.blocks import Block, Blocks, known_rows
from telemetry.pipeline.energy_ahead import EnergyAhead
from telemetry.pipeline.estimate_charge import STATE_OF_CHARGE
from telemetry.pipeline.stage import Chosen

BLOCK = 10 * MICROSECONDS
SOC_LOWER_BOUND = Group("derived", "soc_lower_bound", ("soc_lower_bound",), "derived")
ENERGY_LEFT = Group("derived", "energy_left", ("energy_left",), "derived")
ENERGY_MARGIN = Group("derived", "energy_margin", ("energy_margin",), "derived")
MOST_UNCERTAIN = 15.0
"""Half of the 90 % interval of the state of charge, %, above which the estimate is no ground for a warning."""
FIRST_SHARE = 0.05
"""The need of an area is known once this share of it is done: before that the first turns dominate."""
SQUARE_METRES_PER_HECTARE = 10_000.0
_HOURS = BLOCK / MICROSECONDS / 3600.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What the work needs: the area of the job, ha, and the width of one pass, m."""

    area_ha: float
    width_m: float


class _Means:
    """One signal in blocks: the mean of each, by the block's end."""

    def __init__(self, signal: str, measured_only: bool = True, last: bool = False) -> None:
        self._chosen = Chosen(signal, measured_only)
        self._blocks = Blocks(BLOCK)
        self._last = last

    def take(self, span: Span, end: int) -> dict[int, float]:
        blocks = self._blocks.take(*known_rows(self._chosen, span), end)
        return {block.end: self._figure(block) for block in blocks}

    def _figure(self, block: Block) -> float:
        return float(block.values[-1, 0]) if self._last else float(block.values.mean())


class Reserve:
    """Adds ``soc_lower_bound``, and with a plan ``energy_margin``; ``energy_left`` wherever the charge is known.

    Energy is what the pack gives at least; see :mod:`telemetry.analysis.energy_left`.

    Args:
        pack: what its owner states.
        plan: what the work needs; None where the machine file does not say.
    """

    def __init__(self, pack: Pack, plan: Plan | None) -> None:
        self._ahead = EnergyAhead(pack)
        self._plan = plan
        self._estimated = _Means("soc_estimated", measured_only=False, last=True)
        self._uncertainty = _Means("soc_uncertainty", measured_only=False, last=True)
        self._reported = _Means("soc_reported", last=True)
        self._voltage, self._current = _Means("pack_voltage"), _Means("pack_current")
        self._speed, self._engaged = _Means("vehicle_speed"), _Means("implement_engaged")
        self._used_wh = 0.0
        self._done_ha = 0.0

    def advance(self, span: Span) -> Span:
        """Add a row of each for every block that is over."""
        end = span.complete_to(STATE_OF_CHARGE)
        estimated, uncertainty = self._estimated.take(span, end), self._uncertainty.take(span, end)
        reported = self._reported.take(span, end)
        charge: dict[int, Range] = {}
        for t in sorted(estimated.keys() | reported.keys()):
            half_width = Z90 * uncertainty.get(t, np.inf)
            if t in estimated and half_width <= MOST_UNCERTAIN:
                charge[t] = Range.around(estimated[t], half_width)
            elif t in reported:
                charge[t] = Range.exactly(reported[t])
        self._ahead.take(span, end)
        energy = {t: self._ahead.at(t, soc).low for t, soc in charge.items()}
        margins = self._margins(span, end, energy)
        groups = (SOC_LOWER_BOUND, ENERGY_LEFT, ENERGY_MARGIN)
        rows = ({t: soc.low for t, soc in charge.items()}, energy, margins)
        return span.adding(
            [
                Batch.of_rows(group, list(known), [[value] for value in known.values()])
                for group, known in zip(groups, rows, strict=True)
                if known
            ],
            complete={group.key: end for group in groups},
        )

    def _margins(self, span: Span, end: int, energy: dict[int, float]) -> dict[int, float]:
        """Return the energy left over by the end of each block, Wh, as far as it can be known."""
        if self._plan is None:
            return {}
        voltage, current = self._voltage.take(span, end), self._current.take(span, end)
        speed, engaged = self._speed.take(span, end), self._engaged.take(span, end)
        known = {}
        for t in sorted(energy.keys() | current.keys() | speed.keys()):
            if t in voltage and t in current:
                self._used_wh += voltage[t] * current[t] * _HOURS
            if t in speed and t in engaged:
                metres = abs(speed[t]) * engaged[t] * 1000.0 * _HOURS
                self._done_ha += metres * self._plan.width_m / SQUARE_METRES_PER_HECTARE
            if t in energy and self._done_ha >= FIRST_SHARE * self._plan.area_ha:
                rest = max(0.0, self._plan.area_ha - self._done_ha)
                known[t] = energy[t] - rest * max(0.0, self._used_wh) / self._done_ha
        return known
