"""Compares the cells of a pack with the load counted: what is resistance, what is charge.

Works on means over blocks of ten seconds, so that neither the moment at which a cell is read nor a lag of a second
between cells and current matters. A cell stands against the middle (median) cell of its own pack at the same moment:
that is like current and like temperature, and needs no curve of any maker.

**Resistance.** From block to block the current changes by dI, the middle cell's voltage by dV, and a cell's distance
to it by dD. With R the middle cell's resistance and r what the cell has beyond it, dV = -R dI and dD = -r dI, so
r/R = sum(dD dI) / sum(dV dI): the current serves as instrument, and its own errors cancel. Older blocks fade, so that
a link that comes loose during a drive is seen. (Instrumental-variable estimation; any textbook of econometrics or
system identification.)

**Spread under load.** Each cell's r times the current is taken out of its distance; what is left is charge.

**Charge.** Near empty a millivolt says nothing by itself: one hundredth of the charge is 1 mV on the plateau of an
iron phosphate cell and 60 mV below its knee. So the lowest cell is compared at like state of charge: the middle cell
stands at a voltage now at which the low one stood some ampere-hours ago, and those are its deficit. Only the least
deficit that the errors of both voltages allow is told, which is nothing at all on a plateau.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import Values

FADES = 0.98
"""What a step counts for after the next one: about fifty steps of load are remembered."""
LEAST_STEP_C = 0.03
"""A change of current from block to block counts as a step from this share of the capacity per hour."""
ONE_STEP = 1.5
"""With no more than one step remembered there is no mean to subtract."""
STEPS_FOR_SPREAD = 4.0
STEPS_FOR_RATIO = 8.0
LEAST_RATIO_ERROR = 0.1
"""A ratio of resistances is told once its standard error is less than this."""
MOST_SPREAD_ERROR_V = 0.01
"""The spread under load is told where what the resistances leave uncertain is less than this."""
SLOW_SHARE = 0.3
"""How much more a resistance is after minutes than after seconds (diffusion), as a share. From memory: 20 to 40 %."""
VOLTAGE_ERROR_V = 0.02
"""By how much two means may differ though the charge is the same: hysteresis of iron phosphate, 5 to 20 mV between
after charging and after discharging (common practice, from memory), which braking brings into play."""
WARMING_SHARE = 0.05
"""How much a resistance may have changed between two means that are compared, as a share: a pack that warms by 1 degC
loses about 3 %."""
LIKE_CURRENT_V = 0.008
"""Two means were at like current where their currents differ in effect by less than this."""
BIN_SHARE = 0.005
"""Voltages are averaged over this share of the capacity before they are compared at like charge."""
LEAST_CELLS = 3
"""Fewer have no middle one to compare with."""
MIDDLE_OF = 3
"""So many figures one after another of which the middle one counts: one misread block says nothing."""
CHARGED_SHARE = 0.03
"""More than this share put back begins a new discharge."""


@dataclass(frozen=True, slots=True)
class Deficit:
    """How far, at least, the cell at ``place`` lies behind the middle one, as a share of the capacity."""

    share: float
    place: int


class ResistanceLedger:
    """Resistance of the middle cell and of each cell beyond it, from steps of load.

    Attributes:
        steps: how many are remembered, fading.
    """

    def __init__(self, capacity_ah: float) -> None:
        self._least_step = LEAST_STEP_C * capacity_ah
        self.steps = 0.0
        self._i = self._ii = self._v = self._vi = 0.0
        self._d = self._di = self._dd = self._vd = np.zeros(0)
        self._vv = 0.0
        self._before: tuple[Values, float, float] | None = None

    def take(self, distance: Values, middle: float, current: float, follows: bool) -> None:
        """Take one block: each cell's distance to the middle one (V), the middle one (V), the current (A)."""
        before, self._before = self._before, (distance, middle, current)
        if before is None or not follows or len(before[0]) != len(distance):
            return
        step = current - before[2]
        if abs(step) < self._least_step:
            return
        rise, apart = middle - before[1], distance - before[0]
        known = ~np.isnan(apart)
        if len(self._d) != len(distance):
            self._d, self._di, self._dd, self._vd = (np.zeros(len(distance)) for _ in range(4))
            self.steps = self._i = self._ii = self._v = self._vi = self._vv = 0.0
        if not known.all():
            apart = np.where(known, apart, 0.0)
        self.steps = FADES * self.steps + 1.0
        self._i, self._ii = FADES * self._i + step, FADES * self._ii + step * step
        self._v, self._vi, self._vv = (
            FADES * self._v + rise,
            FADES * self._vi + rise * step,
            FADES * self._vv + rise * rise,
        )
        self._d, self._di = FADES * self._d + apart, FADES * self._di + apart * step
        self._dd, self._vd = FADES * self._dd + apart * apart, FADES * self._vd + apart * rise

    def skip(self) -> None:
        """Let no step lead from the last block to the next."""
        self._before = None

    @property
    def middle_ohm(self) -> float:
        """Resistance of the middle cell; 0 before any step of load has told it."""
        spread = self._ii - self._i * self._i / self.steps if self.steps > ONE_STEP else self._ii
        slope = self._vi - self._v * self._i / self.steps if self.steps > ONE_STEP else self._vi
        return max(0.0, -slope / spread) if spread > 0.0 else 0.0

    def ratios(self) -> tuple[Values, Values] | None:
        """Return r/R of each cell and its standard error, float64 (cells,); None before there are enough steps."""
        if self.steps < STEPS_FOR_SPREAD:
            return None
        n = self.steps
        vi = self._vi - self._v * self._i / n
        ii = self._ii - self._i * self._i / n
        if vi >= 0.0 or ii <= 0.0:
            return None
        ratio = (self._di - self._d * self._i / n) / vi
        vd = self._vd - self._d * self._v / n
        left = (
            self._dd - self._d * self._d / n - 2.0 * ratio * vd + ratio * ratio * (self._vv - self._v * self._v / n)
        )
        error = np.sqrt(np.maximum(left, 0.0) / (n - 2.0) * ii) / -vi
        return ratio, error


class ChargeLedger:
    """Deficits of low cells at like state of charge, each from its own way down.

    Attributes:
        behind: what each cell lacks at least, as a share of the capacity, float64 (cells,); 0 where no voltage shows
            any; empty before the first comparison. Each is the middle one of three, and only grows.
    """

    def __init__(self, capacity_ah: float) -> None:
        self._capacity = capacity_ah
        self._bin = BIN_SHARE * capacity_ah
        self._begin()

    def _begin(self) -> None:
        self._out = 0.0
        self._most = 0.0
        self._boundary = self._bin
        self._sum: Values | None = None
        self._current = 0.0
        self._count = 0
        self._charges: list[float] = []
        self._currents: list[float] = []
        self._voltages: list[Values] = []
        self._recent: list[Values] = []
        self._place = self._lowest = 0
        self.behind: Values = np.zeros(0)

    def take(
        self, voltages: Values, current: float, hours: float, ohm: float, beyond: Values, error: Values | None
    ) -> Deficit | None:
        """Take one block; return the deficit where a step of charge has come to its end with it.

        It is the greatest of this discharge, each time the middle one of three comparisons, so that it only grows.

        Args:
            voltages: as measured, V, float64 (cells,).
            current: A, positive out.
            hours: length of the block.
            ohm: resistance of the middle cell.
            beyond: what each cell has beyond it, as a share, float64 (cells,).
            error: standard error of ``beyond``, float64 (cells,); None where steps of load have not told it yet.
        """
        self._out += current * hours
        if self._most - self._out > CHARGED_SHARE * self._capacity:
            self._begin()
            return None
        self._most = max(self._most, self._out)
        if self._out < self._boundary - self._bin or current * hours <= 0.0:
            return None  # over old ground after braking
        self._sum = voltages.copy() if self._sum is None or len(self._sum) != len(voltages) else self._sum + voltages
        self._current += current
        self._count += 1
        if self._out < self._boundary:
            return None
        if self._voltages and len(self._voltages[-1]) != len(voltages):
            self._charges, self._currents, self._voltages = [], [], []
        self._charges.append(self._out)
        self._currents.append(self._current / self._count)
        self._voltages.append(self._sum / self._count)
        self._boundary = (math.floor(self._out / self._bin) + 1) * self._bin
        self._sum, self._current, self._count = None, 0.0, 0
        if error is None:
            return None
        if len(self.behind) != len(voltages):
            self._recent, self.behind = [], np.zeros(len(voltages))
        self._recent = [*self._recent[-2:], self._compare(ohm, beyond, error)]
        if len(self._recent) == MIDDLE_OF:
            self.behind = np.maximum(self.behind, np.median(self._recent, axis=0))
            self._place = int(np.argmax(self.behind)) if self.behind.any() else self._lowest
        return Deficit(float(self.behind[self._place]), self._place)

    def _compare(self, ohm: float, beyond: Values, error: Values) -> Values:
        """Look back from the latest step of charge to where each low cell stood as the middle one stands now.

        The load is counted with the resistances of now on both sides, so that at like current their errors cancel.
        """
        current, deficits = self._currents[-1], np.zeros(len(beyond))
        inner = self._voltages[-1] + (1.0 + beyond) * (ohm * current)
        if np.isnan(inner).all():
            return deficits
        self._lowest = int(np.nanargmin(inner))
        level = float(np.nanmedian(inner))
        uncertain = ohm * abs(current) * (WARMING_SHARE + SLOW_SHARE * np.abs(beyond) + 2.0 * error)
        low = np.flatnonzero(inner < level - VOLTAGE_ERROR_V - uncertain)
        if not len(low):
            return deficits
        currents = np.array(self._currents)
        unlike = SLOW_SHARE * ohm * np.abs(currents - current)
        for place in low.tolist():
            own = np.array([v[place] for v in self._voltages]) + (1.0 + beyond[place]) * ohm * currents
            rows = np.flatnonzero((unlike <= LIKE_CURRENT_V) & ~np.isnan(own))
            above = np.flatnonzero((own + unlike >= level - VOLTAGE_ERROR_V - uncertain[place])[rows])
            after = rows[above[-1] + 1 :] if len(above) else rows
            deficits[place] = (self._out - self._charges[int(after[0])]) / self._capacity if len(after) else 0.0
        return deficits
