"""What happened in each piece of a drive, sorted by the part of the path at which it could have begun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.controller import Shortfall
from telemetry.analysis.fault_isolation.drive import STEP_S, RowSpan
from telemetry.analysis.fault_isolation.falls import Fall
from telemetry.analysis.fault_isolation.observations import Observations, asked_after
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss
from telemetry.analysis.fault_isolation.pedal import PedalFault, pedal_faults, sensor_odds

_MISSING = (0.35, 1.4)
"""Share of what the throttle asks for that a large shortfall lacks: less is a hill, more a misread row. Set on
simulated drives."""
STOPPED = 0.75
"""Share of what the pedal asked for from which its failing to come counts as a stop."""
PLAIN = 20.0
"""Evidence of a shortfall, log odds, from which it proves that the controller cuts."""
TOP_SPEED, NEAR_TOP_SPEED, KEPT_SPEED = 0.96, 0.86, 0.98
SPEED_LATE_ROWS, LONG_ROWS = 5, 8
"""A speed signal comes up to a quarter of a second late; a fall shows from some 0.4 s."""
_SWITCH_S = 2.0
"""A BMS stays open for seconds, a loose joint for moments: tells them apart where the switch is not recorded."""
_NEAR_ROWS = 4
_NOT_EASED, _LITTLE, _LEARNT = 0.97, 0.3, 0.8
"""A throttle that kept such a share of its travel was not eased, and then still asks for this share of the current
by an answer that explains so much of it."""
_STOP_WEIGHT = 6.0
_BY_EVIDENCE, _NO_EVIDENCE, _MOST_WEIGHT = 0.4, 4.0, 9.0
"""A shortfall's weight is this share of its evidence beyond that of a wrong answer, up to the most: one in some
thousand seconds of sound drives of both simulators has a large shortfall that nothing explains."""


@dataclass(frozen=True, slots=True)
class Failing(RowSpan):
    """The output failed, wholly or in part, though it was asked for.

    Attributes:
        weight: log likelihood ratio against a wrong idea of what was asked for.
        stopped: whether all of it was gone.
        short: what was missing; None for a fall that the learnt answer did not weigh.
    """

    weight: float
    stopped: bool
    short: Shortfall | None = None


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of the drive.

    Attributes:
        o: what was seen in it.
        pedal: failures of the pedal's signal.
        failings: of the output.
        drawing, braking: openings of the pack's switch under load, and against braking.
        openings: losses of supply that the pack's switch does not explain.
    """

    o: Observations
    pedal: tuple[PedalFault, ...]
    failings: tuple[Failing, ...]
    drawing: tuple[SupplyLoss, ...]
    braking: tuple[SupplyLoss, ...]
    openings: tuple[SupplyLoss, ...]

    @property
    def start_s(self) -> float:
        """Seconds from the start of the recording to the first row."""
        return float(self.o.drive.t[0]) if len(self.o.drive.t) else 0.0

    def at(self, row: int) -> float:
        """Return the seconds from the start of the recording to a row."""
        return self.start_s + row * STEP_S


def sort_out(parts: Sequence[Observations]) -> tuple[list[Piece], float]:
    """Return the pieces, and the log odds of a worn throttle sensor over all of them."""
    seen = [each for o in parts if o.pedal is not None for each in o.pedal.seen]
    odds, worn = 0.0, 0.0
    if any(o.pedal is not None for o in parts):
        odds, worn = sensor_odds(seen, max(o.drive.interval_s.get("throttle_voltage", 0.0) for o in parts) or 0.05)
    return [_piece(o, odds, worn) for o in parts], odds


def _piece(o: Observations, odds: float, worn: float) -> Piece:
    pedal = () if o.pedal is None else pedal_faults(o.pedal, odds, worn)
    openings = tuple(loss for loss in o.losses if not _by_switch(loss))
    if all(loss.upward for loss in openings):  # a switch for charging alone refuses braking and nothing else
        openings = ()
    trips = [loss for loss in o.losses if loss not in openings]
    drawing = tuple(loss for loss in trips if not loss.charging)
    failings = [Failing(s.start, s.end, _weight(s), s.missing > STOPPED, s) for s in o.shortfalls if _is_solid(s, o)]
    for fall in o.falls:
        # Without the throttle it was lifted, for all one knows; what is shorter was weighed as a shortfall.
        if o.response is None or not fall.lasting or any(near(each, fall) for each in failings):
            continue
        if _was_asked_for(fall, o) and not _at_top_speed(fall.start, fall.end, o, False):
            failings.append(Failing(fall.start, fall.end, _STOP_WEIGHT, True))
    failings.sort(key=lambda each: each.start)
    braking = tuple(loss for loss in trips if loss.charging)
    return Piece(o, pedal, tuple(failings), drawing, braking, openings)


def near(one: Failing, other: Fall) -> bool:
    """Tell whether the two are one."""
    return one.start - _NEAR_ROWS <= other.end and other.start <= one.end + _NEAR_ROWS


def _weight(s: Shortfall) -> float:
    return min(_BY_EVIDENCE * (s.evidence - _NO_EVIDENCE), _MOST_WEIGHT)


def _by_switch(loss: SupplyLoss) -> bool:
    """Tell whether the pack's switch did it; where its state is not recorded a wait of seconds tells."""
    return loss.by_switch if loss.by_switch is not None else loss.duration_s > _SWITCH_S and not loss.lasts


def _was_asked_for(fall: Fall, o: Observations) -> bool:
    """Tell whether the pedal still asked for current.

    Where the pedal sets a voltage, easing it a little ends all of the current, and without the speed it may do so
    anywhere: there it must not have been eased at all. What the learnt answer does as well is no failing.
    """
    assert o.response is not None
    eases = o.response.how.ratio > 0 or o.drive.get("vehicle_speed") is None
    if eases:
        learnt = o.response.explained > _LEARNT
        return fall.kept > _NOT_EASED and (not learnt or asked_after(o.response, fall, o.current, _LITTLE))
    return asked_after(o.response, fall, o.current)


def _is_solid(s: Shortfall, o: Observations) -> bool:
    """Tell whether a shortfall is large beside the other consumers and the fit."""
    assert o.response is not None
    top = float(np.quantile(o.response.expected, 0.98))
    proven = sum(each.evidence > PLAIN and each.asked > 0.1 * top for each in o.shortfalls) > 1
    least = max(3 * o.response.spread, 0.05 * top) if proven else max(5 * o.response.spread, 0.1 * top)
    large = s.asked > least and _MISSING[0] <= s.missing <= _MISSING[1]
    return large and not _at_top_speed(s.start, s.end, o, s.missing <= STOPPED)


def _at_top_speed(first: int, last: int, o: Observations, partly: bool) -> bool:
    """Tell whether a limit of the speed explains it: the machine went as fast as ever, or fast and did not slow down.

    A controller holds back a part (``partly``) near its highest speed by design; one that fails lets the machine slow
    down, or gives nothing at all.
    """
    speed = o.drive.get("vehicle_speed")
    if speed is None:
        return False
    top = float(np.nanquantile(speed, 0.998))
    near = np.nan_to_num(speed[max(first - 3, 0) : max(last, first + 3) + SPEED_LATE_ROWS])
    if near[:11].max() > TOP_SPEED * top:
        return True
    kept = near[-SPEED_LATE_ROWS:].max() > KEPT_SPEED * near.max()
    return bool(partly and last - first >= LONG_ROWS and near.max() > NEAR_TOP_SPEED * top and kept)
