"""What a stretch of a session took: energy, charge, power, the lowest voltages, the internal resistance.

By the same rules as the report: the same joining of voltage and current, the same gaps, the same fit of the load
steps. The sensor's offset is not taken off, for a stretch cannot tell it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.ranges import Z90
from telemetry.analysis.resistance import find_resistance
from telemetry.analysis.series import SessionSeries, with_extreme_cells
from telemetry.analysis.session_power import find_power
from telemetry.machine.pack_keys import Pack

_LEAST_STRETCH_S = 60.0
"""A shorter stretch has too few load steps: of spans of 20 s one in ten was more than 50 % off (drawn packs)."""
_MOST_BOUND = 0.3
"""A resistance that is known to less than this is no figure to act on; ours."""


def _left_open(seconds: float) -> float:
    """Return what one stretch leaves open of its resistance beyond the scatter within it: one standard deviation.

    A stretch has one charge and one way of driving, which the parts of it share, so their scatter does not show
    what follows from these; a whole drive has many. As a share; the two numbers were chosen on drawn packs
    (``python -m tests.calibration --figure resistance-span``), spans of 80 to 640 s.
    """
    return 0.06 * float((seconds / 100.0) ** -0.4)


@dataclass(frozen=True)
class StretchFigures:
    """Figures of one stretch; each is None where it is not known.

    Attributes:
        energy_out_wh, energy_in_wh: out of the pack and into it, Wh, both >= 0.
        charge_out_ah, charge_in_ah: likewise, Ah.
        mean_power_w: net energy over the time it was known, W. peak_power_w: highest power as sampled, W.
        lowest_v: lowest pack voltage, V. lowest_cell_v, lowest_cell: lowest cell voltage, V, and its number.
        resistance_mohm: internal resistance of the pack over 10 s.
        resistance_bound_mohm: half of its 90 % interval.
        why_no_resistance: why it is not known.
        gaps_s: seconds of gaps in which nothing was counted.

    """

    energy_out_wh: float | None = None
    energy_in_wh: float | None = None
    charge_out_ah: float | None = None
    charge_in_ah: float | None = None
    mean_power_w: float | None = None
    peak_power_w: float | None = None
    lowest_v: float | None = None
    lowest_cell_v: float | None = None
    lowest_cell: int | None = None
    resistance_mohm: float | None = None
    resistance_bound_mohm: float | None = None
    why_no_resistance: str = ""
    gaps_s: float = 0.0


def find_stretch(series: SessionSeries, pack: Pack | None) -> StretchFigures:
    """Return the figures of ``series``, the rows of the stretch alone.

    Args:
        series: what was measured in it.
        pack: what its owner states; without it the resistance is not known.

    """
    found = find_power(series)
    current, power = found.current, found.power
    voltage = series.get("pack_voltage")
    lowest, cell = _lowest_cell(series)
    mohm = bound = None
    why = "no machine file says what the pack is"
    if pack is not None:
        mohm, bound, why = _resistance(series, pack)
    flow = power or current
    return StretchFigures(
        energy_out_wh=None if power is None else float(power.out[-1]),
        energy_in_wh=None if power is None else float(power.into[-1]),
        charge_out_ah=None if current is None else float(current.out[-1]),
        charge_in_ah=None if current is None else float(current.into[-1]),
        mean_power_w=(
            None
            if power is None or power.recorded_s <= 0.0
            else float(power.out[-1] - power.into[-1]) / power.recorded_s * 3600
        ),
        peak_power_w=None if power is None else float(power.values.max()),
        lowest_v=None if voltage is None else float(voltage.values.min()),
        lowest_cell_v=lowest,
        lowest_cell=cell,
        resistance_mohm=mohm,
        resistance_bound_mohm=bound,
        why_no_resistance=why,
        gaps_s=0.0 if flow is None else flow.gaps_s,
    )


def _resistance(series: SessionSeries, pack: Pack) -> tuple[float | None, float | None, str]:
    """Return the resistance over 10 s with half of its 90 % interval, mΩ, or why it is not known."""
    if series.duration_s < _LEAST_STRETCH_S:
        return None, None, f"it takes a span of {_LEAST_STRETCH_S:.0f} s or more"
    found = find_resistance(series, pack)
    mohm, sd = found.pack_10s_mohm, found.pack_10s_uncertainty_mohm
    if mohm is None or sd is None:
        return None, None, found.unknown.get("pack_mohm", "the load steps in it do not show it")
    bound = Z90 * math.hypot(sd, _left_open(series.duration_s) * mohm)
    if bound > _MOST_BOUND * mohm:
        return None, None, "the load steps in it are too few to tell: a longer span may show it"
    return mohm, bound, ""


def _lowest_cell(series: SessionSeries) -> tuple[float | None, int | None]:
    """Return the lowest cell voltage and the number of that cell, where cells are sent one by one."""
    cells = series.cells
    if cells is not None and len(cells.t):
        row, place = divmod(int(np.nanargmin(cells.voltages)), len(cells.numbers))
        return float(cells.voltages[row, place]), cells.numbers[place]
    lowest = with_extreme_cells(series).get("cell_min_voltage")
    return (None, None) if lowest is None else (float(lowest.values.min()), None)
