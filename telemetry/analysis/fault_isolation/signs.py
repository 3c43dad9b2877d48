"""Signs of a failing part in the moment after them: in the throttle's signal, the supply and the output.

What is usual is learnt every half minute from the last ten; each finder looks at half a second, with the seconds
around it in view. The judgement is left to ``isolate``, which sees the whole drive.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import log2
from typing import Literal

import numpy as np

from telemetry.analysis.fault_isolation.drive import SLOWEST_PEDAL_S, Floats
from telemetry.analysis.fault_isolation.pedal import foot_speed, jitters, pedal_trace
from telemetry.analysis.fault_isolation.response import PedalRange, pedal_range
from telemetry.analysis.fault_isolation.trace import Trace
from telemetry.model.batch import MICROSECONDS, Times
from telemetry.model.signals import ON

Kind = Literal["fall", "rise", "jitter"]
Rows = Mapping[str, Trace]
LEARNT_S, LEARNT_FROM_S = 600, 30
"""Usual is what the last ten minutes show; nothing is learnt from less than 30 s. Ours."""
LEAST_RANGE_V = 0.3
"""A throttle that moved less was not pressed, or is not connected."""
_LEAST_ROWS, _LEAST_NOISE_V = 50, 1e-4
_QUICK, _BEFORE, _AFTER = 0.1, 27 * MICROSECONDS // 10, 13 * MICROSECONDS // 10
"""A move between two readings that is looked at, share of travel, and what is seen before and after it."""
_PLAIN, _USUAL_S = 4.5, 0.05
"""Evidence, log odds, from which a departure from the foot is plain by itself, and more where half of the readings
lack (by sound drives of both simulators)."""
_LEAST_LOST, _TIMES_USUAL = 0.06, 3.0
"""Share of the pack's voltage that has to be lost: far more than cable and fuse take (common practice)."""
_LATE, _FRESH = 3 * MICROSECONDS // 2, 11 * MICROSECONDS // 10
"""A BMS reports a trip so late; an older reading of the pack is none of this moment."""
_FALL, _QUARTER, _LONGEST_STEP = 4 * MICROSECONDS // 10, MICROSECONDS // 4, 11 * MICROSECONDS // 10
_FALLEN, _LEAST, _NOISES, _LEFT = 0.08, 0.15, 12.0, 0.25
"""Of the highest current: a fall that is looked at, and what flowed before; of what flowed before: what is left."""
_PRESSED, _STEADY = 0.2, 0.008
"""Shares of the throttle's travel: pressed at all, not eased at all."""
_AROUND = 20 * MICROSECONDS
"""Other consumers change: what flows at rest is what flows at least in so long a time."""
_LEAST_READINGS = 3  # of the throttle around a fall


@dataclass(frozen=True, slots=True)
class Usual:
    """What was usual in the last ten minutes.

    Attributes:
        throttle: its range; None where it is not connected, or read too seldom.
        fastest: the furthest that the foot moves between two readings, V.
        period_s: between readings of the throttle.
        most_lost: between pack and controller, V; NaN where unknown.
        top, noise: highest current, and its change from reading to reading, A; NaN where unknown.
    """

    throttle: PedalRange | None = None
    fastest: float = 0.0
    period_s: float = 1.0
    most_lost: float = float("nan")
    top: float = float("nan")
    noise: float = float("nan")

    def travel(self, volts: Floats) -> Floats:
        """Return the share of travel, not clipped; the throttle has to be known."""
        assert self.throttle is not None
        return (volts - self.throttle.rest) / (self.throttle.top - self.throttle.rest)


def usual(rows: Rows, until: int, before: Usual) -> Usual:
    """Learn what is usual up to a time; ``before`` is what was learnt before."""
    start = until - LEARNT_S * MICROSECONDS

    def known(name: str) -> tuple[Floats, Floats]:
        t, values = rows[name].between(start, until)
        enough = len(t) >= _LEAST_ROWS and until - t[0] >= (LEARNT_FROM_S - 1) * MICROSECONDS
        return ((t - until) / MICROSECONDS, values) if enough else (np.empty(0), np.empty(0))

    throttle, fastest, period = None, 0.0, 1.0
    t, volts = known("throttle_voltage")
    if len(t) and np.ptp(volts) >= LEAST_RANGE_V and (period := float(np.median(np.diff(t)))) <= SLOWEST_PEDAL_S:
        found = pedal_range(volts)
        low, high = found.rest, found.top
        if before.throttle is not None:  # one who presses for minutes does not move the rest
            low, high = min(low, before.throttle.rest), max(high, before.throttle.top)
        if high - low >= LEAST_RANGE_V:
            moves = np.diff(volts)
            held = np.abs(moves)[volts[1:] > low + _PRESSED * (high - low)]
            noise = max(float(np.median(held)) if len(held) else 0.0, _LEAST_NOISE_V)
            throttle, fastest = PedalRange(low, high, noise), foot_speed(moves, 0.0)
    most = float("nan")
    _, lost, pack = _lost(rows, start, until)
    if len(lost) >= _LEAST_ROWS:
        some = lost[lost <= _LEAST_LOST * pack + np.nan_to_num(before.most_lost)]
        middle, upper = np.quantile(some, [0.5, 0.95]) if len(some) else (0.0, 0.0)
        most = max(float(middle + _TIMES_USUAL * (upper - middle)), 0.0)
    _, amps = known("pack_current")
    if not len(amps):
        return Usual(throttle, fastest, period, most)
    top = float(np.quantile(amps, 0.998))
    changes = np.abs(np.diff(amps))
    noise = float(changes[changes < 0.1 * top].mean()) if (changes < 0.1 * top).any() else 0.0
    return Usual(throttle, fastest, period, most, top, noise)


def throttle_fails(rows: Rows, start: int, until: int, known: Usual) -> Iterator[tuple[int, Kind]]:
    """Yield when the throttle's signal left the foot between two times, and how."""
    if known.throttle is None:
        return
    trace, half = rows["throttle_voltage"], (until - start) // 2
    moves = np.abs(np.diff(known.travel(trace.between(start - half, until + half, 1)[1])))
    if not (moves > _QUICK).any():
        return
    t, volts = trace.between(start - _BEFORE, until + _AFTER)
    plain = _PLAIN + max(log2(known.period_s / _USUAL_S), 0.0)
    seen = pedal_trace((t - start) / MICROSECONDS, volts, known.throttle, known.fastest)
    for each in jitters([each for each in seen if each.evidence > plain]):
        moment = start + round(each.t * MICROSECONDS)
        if start <= moment < until:
            yield moment, "jitter" if each.kind == "jitter" else "rise" if each.depth > 0 else "fall"


def trips(rows: Rows, start: int, until: int) -> list[int]:
    """Return when the BMS reported a trip between two times."""
    t, allowed = rows["discharge_allowed"].between(start, until, 1)
    found: list[int] = t[1:][(allowed[1:] < ON) & (allowed[:-1] >= ON)].tolist()
    return found


def _lost(rows: Rows, start: int, until: int) -> tuple[Times, Floats, Floats]:
    """Return times, µs, the voltage lost between pack and controller, V, and that of the pack on its line, V."""
    t, supply = rows["controller_voltage"].between(start, until)
    pack_t, pack = rows["pack_voltage"].between(start - _FRESH, until + _FRESH)
    if not len(t) or not len(pack_t):
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    fresh = t - pack_t[np.maximum(np.searchsorted(pack_t, t, side="right") - 1, 0)] <= _FRESH
    volts = np.interp(t, pack_t, pack)
    return t[fresh], (volts - supply)[fresh], volts[fresh]


def voltage_lost(rows: Rows, start: int, until: int, known: Usual) -> Iterator[int]:
    """Yield when much more voltage than usual began to be lost on the way to the controller, unless by a trip."""
    if known.most_lost != known.most_lost:
        return
    t, lost, pack = _lost(rows, start - _FRESH, until + _FRESH)
    much = lost > _LEAST_LOST * pack + known.most_lost
    begins = much[1:-1] & much[2:] & ~much[:-2]  # twice on end
    for at in t[1:-1][begins].tolist():
        if start <= at < until and not _switched(rows, at - _LATE, at + _LATE):
            yield at


def _switched(rows: Rows, start: int, until: int) -> bool:
    """Tell whether the BMS reported a trip at some time."""
    return bool((rows["discharge_allowed"].between(start, until, 1)[1] < ON).any())


def is_undisturbed(rows: Rows, start: int, until: int) -> bool:
    """Tell whether in this time the BMS was closed and no implement switched."""
    works = rows["implement_engaged"].between(start, until, 1)[1] >= ON
    return not (len(works) and works.any() != works.all()) and not _switched(rows, start, until)


def output_drops(rows: Rows, start: int, until: int, seen_until: int, known: Usual) -> Iterator[int]:
    """Yield when the current fell to that at rest while the throttle was held and nothing switched."""
    if known.throttle is None or known.top != known.top:
        return
    trace, noise = rows["pack_current"], known.throttle.noise / (known.throttle.top - known.throttle.rest)
    t, amps = trace.between(start, until + _LONGEST_STEP)
    later = t.searchsorted(t + _FALL)
    whole = (t < until) & (later < len(t))
    for row in np.flatnonzero(whole)[amps[whole] - amps[later[whole]] > _FALLEN * known.top].tolist():
        at = int(t[row])
        before, left = trace.between(at - _QUARTER, at + 1)[1], trace.between(at + _FALL, at + _FALL + _QUARTER)[1]
        pressed = known.travel(rows["throttle_voltage"].between(at - 2 * _QUARTER, at + _FALL + _QUARTER)[1])
        if not len(left) or len(pressed) < _LEAST_READINGS or pressed.min() < _PRESSED:
            continue
        rest, high = np.quantile(trace.between(at - _AROUND, seen_until)[1], [0.04, 0.95]).clip(0.0).tolist()
        flowed, flows = float(np.median(before)) - rest, float(np.median(left)) - rest
        eased = float((np.maximum.accumulate(pressed) - pressed).max())  # one that rises asks for more
        much = flowed > max(_LEAST * (high - rest), _NOISES * known.noise) and flows <= _LEFT * flowed
        if much and eased < _STEADY + 5 * noise and is_undisturbed(rows, at - MICROSECONDS, seen_until):
            yield at
