"""Current, voltage and power of a whole session on the axes and by the rules of the live stages.

The same joining, the same gap rule and the same integral as :mod:`telemetry.analysis.derive`, so that the report and
the screen give the same numbers. Where the pack's voltage was not recorded, the controller's stands in for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.analysis.gaps import GapRule
from telemetry.analysis.integrals import SECONDS_PER_HOUR, SignedIntegral
from telemetry.analysis.joining import Joiner
from telemetry.analysis.series import Series, SessionSeries
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

Place = Literal["pack", "controller"]
AT_CONTROLLER = "at the controller, without the loss in the cable"
_CONNECTED = 0.5
"""Below this share of its usual high the controller's voltage is not the pack's: the contactor is open. Ours."""


@dataclass(frozen=True, eq=False)
class Flow:
    """One signal over time with its running integrals.

    Attributes:
        t: int64 (n,), microseconds.
        values: float64 (n,), A or W, positive out of the pack.
        bridged: bool (n,), whether the interval that leads to each row counts.
        out, into: float64 (n,), running integral of what went out and what came in, Ah or Wh, both >= 0.
    """

    t: Times
    values: Values
    bridged: Flags
    out: Values
    into: Values

    def __len__(self) -> int:
        return len(self.t)

    @property
    def recorded_s(self) -> float:
        """Seconds that are known, gaps left out."""
        return float(_intervals(self)[self.bridged].sum()) / MICROSECONDS

    @property
    def gaps_s(self) -> float:
        """Seconds of gaps between the first row and the last."""
        return float(_intervals(self)[~self.bridged].sum()) / MICROSECONDS

    def rows(self, start: int, end: int) -> slice:
        """Return the rows with ``start <= t <= end``."""
        return slice(int(np.searchsorted(self.t, start, "left")), int(np.searchsorted(self.t, end, "right")))

    def between(self, start: int, end: int) -> tuple[float, float]:
        """Return what went out and in over the segments whose later row lies in ``start < t <= end``.

        So pieces that adjoin add up to the whole, to the last digit of the running sums.
        """
        first, last = (int(np.searchsorted(self.t, t, "right")) for t in (start, end))
        return (_at(self.out, last) - _at(self.out, first), _at(self.into, last) - _at(self.into, first))

    def known_s(self, start: int, end: int) -> float:
        """Return the seconds that :meth:`between` covers, gaps left out."""
        first, last = (int(np.searchsorted(self.t, t, "right")) for t in (start, end))
        intervals = _intervals(self)[first:last]
        return float(intervals[self.bridged[first:last]].sum()) / MICROSECONDS


@dataclass(frozen=True, eq=False)
class SessionPower:
    """What flowed in a session, less the known offset of the current sensor.

    Attributes:
        current: A and Ah on the current's own rows; None where there is no current.
        power: W and Wh on the joined rows of voltage and current; None where one is missing.
        voltage: float64 (rows of ``power``,), V; empty where ``power`` is None.
        offset_a: what was taken off every current reading, A.
        place: where ``voltage`` was measured. At the controller, power lacks what the cable between loses.
    """

    current: Flow | None
    power: Flow | None
    voltage: Values
    offset_a: float = 0.0
    place: Place = "pack"

    def less(self, offset_a: float) -> SessionPower:
        """Return the same with another ``offset_a`` (A) taken off every current reading."""
        more = offset_a - self.offset_a
        if more == 0.0:
            return self
        current, power = self.current, self.power
        return SessionPower(
            None if current is None else _flow(current.t, current.values - more, current.bridged),
            None if power is None else _flow(power.t, power.values - more * self.voltage, power.bridged),
            self.voltage,
            offset_a,
            self.place,
        )


def find_power(series: SessionSeries, offset_a: float = 0.0) -> SessionPower:
    """Return current and power of ``series`` with their integrals, with ``offset_a`` (A) taken off the current."""
    current, (voltage, place) = series.get("pack_current"), _voltage(series)
    if current is None:
        return SessionPower(None, None, np.empty(0), offset_a)
    flow = _flow(current.t, current.values, GapRule().take(current.t))
    if voltage is None:
        return SessionPower(flow, None, np.empty(0)).less(offset_a)
    t, volts, amperes, bridged = Joiner().take((voltage.t, voltage.values), (current.t, current.values), series.end)
    if not len(t):
        return SessionPower(flow, None, np.empty(0)).less(offset_a)
    return SessionPower(flow, _flow(t, volts * amperes, bridged), volts, place=place).less(offset_a)


def _voltage(series: SessionSeries) -> tuple[Series | None, Place]:
    """Return the pack's voltage, else the controller's while it is connected, and where that was measured."""
    pack, controller = series.get("pack_voltage"), series.get("controller_voltage")
    if pack is not None or controller is None:
        return pack, "pack"
    connected = controller.values > _CONNECTED * float(np.quantile(controller.values, 0.95))
    if not connected.any():
        return None, "pack"
    return Series(controller.t[connected], controller.values[connected]), "controller"


def _flow(t: Times, values: Values, bridged: Flags) -> Flow:
    out, into = SignedIntegral().take(t, values, bridged)
    return Flow(t, values, bridged, out, into)


def _intervals(flow: Flow) -> Times:
    return np.diff(flow.t, prepend=flow.t[:1])


def _at(running: Values, count: int) -> float:
    return float(running[count - 1]) if count else 0.0


def hours(flow: Flow) -> Values:
    """Return the length of the interval that leads to each row, h, 0 for gaps; float64 (n,)."""
    return np.where(flow.bridged, _intervals(flow), 0) / MICROSECONDS / SECONDS_PER_HOUR
