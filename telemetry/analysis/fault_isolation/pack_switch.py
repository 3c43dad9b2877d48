"""When the supply at the controller went away, and who took it: a BMS trip, or an opening in the path.

The pack's switch is reported late (electronics are commonly asked five times a second) and a short opening or closing
of it not at all, so the moments are taken from the voltage or the current, and a report only has to be near.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.collapse import Collapse, collapses, no_current
from telemetry.analysis.fault_isolation.drive import STEP_S, Floats, runs

REPORTED_LATE_S = 0.8
_BEFORE_S = 0.35
_EARLY_ROWS = 6
_FALL_S = 1.0
_LEAST_FALL_A = 3.0


@dataclass(frozen=True, slots=True)
class SupplyLoss:
    """The supply was gone from row ``start`` to ``end`` (not included).

    Attributes:
        by_switch: True where the pack's switch was reported open, False where it was reported closed all along,
            None where its state is not recorded.
        current_before: highest current in the third of a second before, A.
        voltage_before: lowest voltage in that time, V; NaN where unknown.
        charging: the current flowed into the pack (braking).
        lasts: it had not come back when the recording ended.
        upward: the voltage jumped up: current that was flowing back was refused.
    """

    start: int
    end: int
    by_switch: bool | None
    current_before: float
    voltage_before: float
    charging: bool
    lasts: bool
    upward: bool = False

    @property
    def duration_s(self) -> float:
        """Seconds without supply."""
        return (self.end - self.start) * STEP_S


def supply_losses(voltage: Floats | None, current: Floats, allowed: Floats | None) -> list[SupplyLoss]:
    """Return every loss of supply, in time order.

    A supply that goes away while hardly any current flows and does not come back is somebody who switched off, unless
    the pack's switch is reported open.

    Args:
        voltage: V (n,) at the controller, NaN where unknown; None where only the pack's own is known, which does not
            fall when the pack's switch opens.
        current: A (n,).
        allowed: the pack's switch, 1 closed, or None.
    """
    gone = [] if voltage is None else collapses(voltage, current)
    off = np.zeros(len(current), dtype=np.bool_) if allowed is None else np.nan_to_num(allowed, nan=1.0) < 0.5
    late = round(REPORTED_LATE_S / STEP_S)
    found: list[SupplyLoss] = []
    for each in gone:
        near = off[max(each.start - _EARLY_ROWS, 0) : each.end + late]
        reported = bool(near.any()) or (each.end + late > len(off) and bool(off.any()))
        loss = _loss(each, None if allowed is None else reported, voltage, current)
        drew = not no_current(current)[max(each.start - late, 0) : each.start].all()
        if reported or drew or not loss.lasts:
            found.append(loss)
    for start, end in runs(off):
        seen = any(each.start - _EARLY_ROWS <= end and each.end + late >= start for each in gone)
        if not seen:
            found.append(_loss(Collapse(_fall(current, start), end), True, voltage, current))
    return sorted(found, key=lambda loss: loss.start)


def _fall(current: Floats, reported: int) -> int:
    """Return where the current fell to nothing in the second before the switch was reported open."""
    first = max(reported - round(_FALL_S / STEP_S), 0)
    window = np.abs(current[first : reported + 3])
    steps = np.diff(window)
    if len(steps) == 0 or steps.min() > -_LEAST_FALL_A:
        return reported
    return first + int(np.argmin(steps)) + 1


def _loss(gone: Collapse, by_switch: bool | None, voltage: Floats | None, current: Floats) -> SupplyLoss:
    rows = slice(max(gone.start - round(_BEFORE_S / STEP_S), 0), gone.start + 1)
    before = current[rows]
    volts = np.nan
    if voltage is not None and not np.isnan(voltage[rows]).all():
        volts = float(np.nanmin(voltage[rows]))
    settled = current[max(gone.start - 2, 0) : gone.start + 1]
    return SupplyLoss(
        gone.start,
        gone.end,
        by_switch,
        float(np.nanmax(before)),
        volts,
        gone.upward or bool(np.nanmedian(settled) < -0.5),
        gone.end >= len(current),
        gone.upward,
    )
