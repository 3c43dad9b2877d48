"""How likely each cause makes what was seen: log odds of every cause against a sound machine.

Events along the power path are points in time that a cause makes at some rate where it can act: a worn throttle in
a band of its travel, a controller while output is asked for, a pack with little left below a voltage, a BMS above a
current. Rates, bands and limits are summed out (``point_process``). What lasts (noise of the resistance, shrinking
output, force against the motion) multiplies in. What takes a signal that was not recorded has no
odds: its cause is neither named nor cleared, and what it could have made is shared with it.

A long drive is seen in pieces. Events and the time for them are put together; of what lasts the mean over the pieces
counts, so one piece that shows it plainly is enough, and one of many that seems to is not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.checks import covered
from telemetry.analysis.fault_isolation.controller import Shortfall
from telemetry.analysis.fault_isolation.drive import STEP_S, Floats
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.fold_back import SHRINKS_BY
from telemetry.analysis.fault_isolation.force_balance import odds_of_drag
from telemetry.analysis.fault_isolation.limits import (
    BEFORE_ROWS,
    CUT_HOLDS,
    SURE,
    TRIP_HOLDS,
    current_of,
    limit,
    voltage_of,
)
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.pedal import PedalFault, pedal_faults, sensor_odds
from telemetry.analysis.fault_isolation.point_process import by_rate, log_mean

STRAY_CUT, STRAY_CUT_WITHOUT_SPEED, STRAY_OPENING, STRAY_TRIP = 1.5e-3, 6e-3, 1e-4, 1e-5
"""Events a second that no fault explains: a cut in eleven minutes in which output is asked for (22 in 260 min of
drives of 45 and 90 s whose controller and pack are sound), four times as often where no speed shows what the
controller had to do; an opening in 3 h, and a BMS trip in a day (ours)."""
_SAME = 0.025
"""A stop that begins so little above the limit, share of it, is still of it: the voltage falls between readings."""
_SLACK, _SWITCH_SLACK = 0.01, 0.02
"""Noise of what is watched for a controller's limit and for a BMS's, share of its range."""
_SHRINKS_FROM, _SHRINKS_MOST = 3.0, 6.0
_FOLDS, _STEADY_JOINT = 0.2, 0.1
"""Share of controllers at fault that fold back, and of bad joints whose resistance is steady while driving (ours)."""
_JOINT_MOST = 14.0
_SOUND_LOSS, _JOINT_LOSS, _LOSS_FACTOR, _LOSSY, _LOSS_MOST = 0.007, 0.05, 0.55, 0.5, 6.0
"""Share of the pack's voltage that cable, fuse and contactor take at the highest current, and with a joint that
always resists; deviation of its logarithm; share of such joints, the others open for moments (common practice for the
middles, the rest ours)."""
_ABSENT, _UNSEEN, _WEAK_UNSEEN = -2.0, -0.5, 0.1
"""Log odds of a weak pack where no stop was seen, and where none could be; share of weak packs that stop nothing."""
_SLOW_S, _BLURRED_S = 0.15, 0.25
"""Slower readings miss what stood right before a stop, and mix it with what came after; of that before a trip more is
lost the slower they are, all when they are so much slower than the time axis."""
_WEAK_CELL = 0.25
"""Share of weak packs with one weak cell: it trips the BMS at any voltage of the whole (ours)."""
LITHIUM_V, LOW_CELL_V, _BY_CELL = 2.95, 2.85, 3.0
"""A lithium cell with little left is lower under load; common practice. Titanate and lead cells stay below 2.95 V."""
_SHARED = 0.5
"""Share of the faults of a cause that cannot be told from a controller that stops, where its own signal is
missing."""


@dataclass(frozen=True, eq=False)
class Comparison:
    """What the comparison found.

    Attributes:
        odds: log odds of every cause against a sound machine; 0 for a cause that cannot be judged.
        covered: the causes that can.
        parts: what was seen in each piece of the drive.
        pedal: failures of the pedal's signal, in time order.
        low_limit: voltage below which the output stopped, or NaN.
        by_voltage: log odds that the BMS tripped on low voltage and not on current; NaN without a trip under load.
    """

    odds: Mapping[Cause, float]
    covered: tuple[Cause, ...]
    parts: Sequence[Observations]
    pedal: Sequence[PedalFault]
    low_limit: float
    by_voltage: float

    @property
    def low_cause(self) -> Cause:
        """Whose doing it is where output stops at a low voltage."""
        return "power-connection" if self.odds["power-connection"] > self.odds["pack-weak"] else "pack-weak"

    def lowest_cell(self) -> float:
        """Return the lowest lithium cell of the drive (2 % quantile), V; NaN where it is not known."""
        lows = [low for o in self.parts if (low := _lithium(o)) is not None]
        return min((float(np.nanquantile(low, 0.02)) for low in lows), default=float("nan"))

    def is_low(self, o: Observations, what: Shortfall) -> bool:
        """Tell whether the low limit explains it."""
        supply = o.drive.supply
        if supply is None or not self.odds[self.low_cause] > self.odds["controller"]:
            return False
        before = float(np.nanmin(supply[max(what.start - BEFORE_ROWS, 0) : what.start + 2]))
        return before <= self.low_limit * (1 + _SAME)


def compare(parts: Sequence[Observations], earlier: Sequence[float] = ()) -> Comparison:
    """Weigh every cause.

    Args:
        parts: what was seen in each piece of the drive, in time order.
        earlier: force against the motion over weight on earlier drives of this machine.
    """
    traces = [o.pedal for o in parts if o.pedal is not None]
    period_s = max((o.drive.interval_s.get("throttle_voltage", 0.0) for o in parts), default=0.0)
    pedal = sensor_odds([each for trace in traces for each in trace], period_s) if traces else 0.0
    known = covered(parts)
    odds: dict[Cause, float] = dict.fromkeys(CAUSES, 0.0)
    usable_s = sum(float(o.usable.sum()) for o in parts) * STEP_S
    failings = [each for o in parts for each in o.failings]
    asked_s = sum(o.asked_s() for o in parts)
    cuts = by_rate(np.array([each.weight for each in failings]), asked_s, _stray_cut(parts))
    stopped, emptiness, low_limit = _low(parts)
    low = stopped + emptiness
    joint = _any_piece([o.path.joint + _loses(o.lost) for o in parts if o.path is not None])
    by_voltage, by_current = _trips(parts)
    drawing, braking, openings = (
        sum(len(getattr(o, name)) for o in parts) for name in ("drawing", "braking", "openings")
    )
    odds["pedal-sensor"] = pedal
    odds["controller"] = _mixed(cuts, _FOLDS, _shrinks(parts))
    weak = _UNSEEN
    if _interval(parts) <= _SLOW_S:
        at_low = low if np.isfinite(low_limit) else _ABSENT if "controller" in known else _UNSEEN
        weak = _mixed(at_low, _WEAK_UNSEEN, _ABSENT)
    odds["pack-weak"] = weak if not drawing else _mixed(by_voltage, 0.5, by_voltage + weak)
    odds["power-connection"] = _mixed(min(joint, _JOINT_MOST), _STEADY_JOINT, 0.0) + _openings(openings, usable_s)
    if joint > 0:  # a controller behind it loses its supply for moments, or stops at its low limit
        odds["power-connection"] += log_mean(np.array([0.0, low, cuts]))
    odds["bms-trip"] = by_current if drawing else 0.0
    if braking or not drawing:
        odds["bms-trip"] += by_rate(np.full(braking, SURE), usable_s, STRAY_TRIP)
    if (
        _interval(parts) > _SLOW_S and "controller" in known
    ):  # openings and stops at a low voltage look like the controller's cuts
        for cause in ("power-connection", "pack-weak"):
            odds[cause] = _mixed(odds[cause], _SHARED, odds[cause] + max(cuts, 0.0))
    forces = [o.force for o in parts if o.force is not None]
    odds["mechanical-drag"] = odds_of_drag(forces, earlier) if forces else 0.0
    for cause in CAUSES:
        if cause not in (*known, "healthy"):
            odds[cause] = 0.0
            if cause in ("power-connection", "bms-trip") and "controller" in known:
                # Behind a joint that is not seen a controller stops at its limit while the pack's voltage is not low.
                odds[cause] = _mixed(0.0, _SHARED, max(odds["controller"], stopped, 0.0))
    told = by_voltage - by_current if drawing else float("nan")
    faults = [fault for trace in traces for fault in pedal_faults(trace, pedal)]
    return Comparison(odds, known, parts, faults, low_limit, told)


def _mixed(one: float, share: float, other: float) -> float:
    """Return the log odds of a cause that makes ``other`` in a share of all cases, else ``one``."""
    return float(np.logaddexp(np.log(1 - share) + one, np.log(share) + other))


def _stray_cut(parts: Sequence[Observations]) -> float:
    known = all(o.drive.get("vehicle_speed") is not None for o in parts)
    return STRAY_CUT if known else STRAY_CUT_WITHOUT_SPEED


def _any_piece(odds: Sequence[float]) -> float:
    return log_mean(np.array(odds)) if odds else 0.0


def _loses(share: float) -> float:
    """Return the log odds of a bad joint by the share of the voltage that is lost up to the controller."""
    if share != share:
        return 0.0
    place = np.log(max(share, 1e-3) / np.array([_SOUND_LOSS, _JOINT_LOSS])) / _LOSS_FACTOR
    beyond = 0.5 * float(place[0] ** 2 - min(place[1], 0.0) ** 2)
    return min(_mixed(0.0, _LOSSY, beyond), _LOSS_MOST)


def _openings(count: int, usable_s: float) -> float:
    return by_rate(np.full(count, SURE), usable_s, STRAY_OPENING) * (1.0 if count else 0.5)


def _shrinks(parts: Sequence[Observations]) -> float:
    """Return the log odds of an output that shrinks by the controller's own doing."""
    plain = [o.fold.evidence if o.fold is not None and o.fold.lost > SHRINKS_BY else 0.0 for o in parts]
    odds = [min(max(each - _SHRINKS_FROM, -2.0), _SHRINKS_MOST) for each in plain]
    return _any_piece(odds)


def _low(parts: Sequence[Observations]) -> tuple[float, float, float]:
    """Return the log odds of stops below a voltage, those that it is a pack's at its end, and the voltage, or NaN."""
    if _interval(parts) > _SLOW_S:
        return 0.0, 0.0, float("nan")
    odds, at, rest = limit(parts, "failings", voltage_of, CUT_HOLDS, _SLACK, _stray_cut(parts))
    return (odds, _emptiness(-at / rest, by_switch=False), -at) if at == at else (0.0, 0.0, at)


def _interval(parts: Sequence[Observations]) -> float:
    """Return the seconds between readings of the slowest of current and voltages."""
    names = ("pack_current", "controller_voltage", "pack_voltage")
    return max(o.drive.interval_s.get(name, 0.0) for o in parts for name in names)


def _trips(parts: Sequence[Observations]) -> tuple[float, float]:
    """Return the log odds that the BMS tripped on low voltage, and that it did on current, against no trips.

    Lithium cells with little left are below 2.85 V under load at the trip; where they are not, it was the current.
    """
    by_current, known, _ = limit(parts, "drawing", current_of, TRIP_HOLDS, _SWITCH_SLACK, STRAY_TRIP)
    by_voltage, at, rest = limit(parts, "drawing", voltage_of, TRIP_HOLDS, _SWITCH_SLACK, STRAY_TRIP)
    lost = float(np.clip((_interval(parts) - STEP_S) / _BLURRED_S, 0.0, 1.0))
    if known != known or at != at:
        lost = 1.0
    likelier = max(by_voltage, by_current)
    by_voltage, by_current = (each + lost * (likelier - each) for each in (by_voltage, by_current))
    if at == at:
        by_voltage += _emptiness(-at / rest, by_switch=True)
    cell = _BY_CELL * _cells(parts)
    return by_voltage + cell, by_current - cell


def _cells(parts: Sequence[Observations]) -> int:
    """Return 1 where the lowest cell was empty at every opening under load, -1 where it was not, 0 where unknown."""
    found = []
    for o in parts:
        low = _lithium(o)
        for loss in o.drawing:
            if low is None:
                break
            near = low[max(loss.start - 10 * BEFORE_ROWS, 0) : loss.start + 3 * BEFORE_ROWS]
            if not np.isnan(near).all():
                found.append(float(np.nanmin(near)))
    return 0 if not found else 1 if float(np.median(found)) < LOW_CELL_V else -1


def _lithium(o: Observations) -> Floats | None:
    """Return the lowest cell's voltage (n,) where the cells are lithium ones by their highest, else None."""
    low, high = o.drive.get("cell_min_voltage"), o.drive.get("cell_max_voltage")
    if low is None or high is None or np.isnan(low).all() or not np.nanmax(high, initial=0.0) > LITHIUM_V:
        return None
    return low


def _emptiness(ratio: float, by_switch: bool) -> float:
    """Return the log density of the limit's voltage over that at rest for a pack at its end, against one under load.

    A controller's limit is the whole pack's: 2.5 to 2.9 V of 3.3, or the pack rests near it. The BMS
    may go by one weak cell. Common practice for the means; the widths are ours.
    """

    def normal(middle: float, width: float) -> float:
        return float(np.exp(-0.5 * ((ratio - middle) / width) ** 2)) / width

    sound = normal(0.955, 0.035) + 0.02
    deep, shallow = (0.6, normal(0.94, 0.035)) if by_switch else (0.7, normal(0.96, 0.025))
    weak = deep * normal(0.82, 0.05) + (1 - deep) * shallow
    if by_switch:
        weak = _WEAK_CELL * sound + (1 - _WEAK_CELL) * weak
    return float(np.clip(np.log(weak / sound), -4.0, 3.0))
