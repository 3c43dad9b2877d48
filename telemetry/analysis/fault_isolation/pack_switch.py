"""When the supply at the controller went away, and who took it: the pack's own switch, or an opening in the path.

The pack's switch is reported late (electronics are commonly asked five times a second), so the moment is taken from
the voltage or the current, and the report only has to follow soon.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Floats
from telemetry.analysis.fault_isolation.power_path import collapses

REPORTED_LATE_S = 0.8
_BEFORE_S = 0.35


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
    """

    start: int
    end: int
    by_switch: bool | None
    current_before: float
    voltage_before: float
    charging: bool
    lasts: bool

    @property
    def duration_s(self) -> float:
        """Seconds without supply."""
        return (self.end - self.start) * STEP_S


def supply_losses(voltage: Floats | None, current: Floats, allowed: Floats | None) -> list[SupplyLoss]:
    """Return every loss of supply, in time order.

    Args:
        voltage: V (n,) at the controller, NaN where unknown; None where only the pack's own is known, which does not
            fall when the pack's switch opens.
        current: A (n,).
        allowed: the pack's switch, 1 closed, or None.
    """
    gone = [] if voltage is None else collapses(voltage, current)
    opened = [] if allowed is None else _opened(allowed)
    found: list[SupplyLoss] = []
    taken: set[int] = set()
    late = round(REPORTED_LATE_S / STEP_S)
    for start, end in opened:
        near = [
            k
            for k, each in enumerate(gone)
            if each.start - 6 <= start and each.end >= start - late and k not in taken
        ]
        near = [k for k in near if gone[k].start <= end]
        first, last = start, end
        if near:
            taken.update(near)
            first, last = gone[near[0]].start, max(gone[near[-1]].end, min(end, gone[near[-1]].end + late))
        else:
            first = _fall(current, start)
        found.append(_loss(first, last, True, voltage, current))
    for k, each in enumerate(gone):
        if k not in taken:
            found.append(_loss(each.start, each.end, None if allowed is None else False, voltage, current))
    return sorted(found, key=lambda loss: loss.start)


def _opened(allowed: Floats) -> list[tuple[int, int]]:
    off = np.nan_to_num(allowed, nan=1.0) < 0.5
    edges = np.flatnonzero(np.diff(off.astype(np.int8), prepend=0, append=0))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _fall(current: Floats, reported: int) -> int:
    """Return where the current fell to nothing in the second before the switch was reported open."""
    first = max(reported - round(1.0 / STEP_S), 0)
    window = np.abs(current[first : reported + 3])
    steps = np.diff(window)
    if len(steps) == 0 or steps.min() > -3.0:
        return reported
    return first + int(np.argmin(steps)) + 1


def _loss(start: int, end: int, by_switch: bool | None, voltage: Floats | None, current: Floats) -> SupplyLoss:
    rows = slice(max(start - round(_BEFORE_S / STEP_S), 0), start + 1)
    before = current[rows]
    volts = np.nan if voltage is None else float(np.nanmin(voltage[rows]))
    settled = current[max(start - 2, 0) : start + 1]
    return SupplyLoss(
        start,
        end,
        by_switch,
        float(np.nanmax(before)),
        volts,
        bool(np.nanmedian(settled) < -0.5),
        end >= len(current),
    )
