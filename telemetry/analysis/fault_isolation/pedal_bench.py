"""The throttle on the bench: pressed slowly and released, twice, with the controller off.

A slow press moves the signal a little between any two readings, so a jump, dip or jitter comes from the sensor or its
wire. It shows as the difference from a running median over a second, and as a step between two readings.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.fault_isolation.drive import SLOWEST_PEDAL_S, Floats
from telemetry.analysis.fault_isolation.response import PedalRange, pedal_range
from telemetry.model.time_text import clock

_LEAST_READINGS, _LEAST_RESTING, _LEAST_HALF = 40, 20, 10
"""Readings in all, with the throttle released, and so in each half of the test: below them nothing is told. Ours."""
_MOVES_PER_S = 0.08  # travels a second above which the hand moves
_APART_S = 0.5  # between readings that are two faults
_BELOW_REST = -0.05  # share of travel: no hand gets there, a lost contact does
_JITTERS = (3, 2)  # readings, and turns, above which a fault is jitter and no single dip
_ONE_PLACE_PCT = 3  # faults within so much travel are at one place
LEAST_RANGE_V = 0.3
_PRESSED, _RELEASED = 0.75, 0.15  # shares of travel
_STEP, _DIP, _JITTER, _REST_MOVES = 0.08, 0.04, 0.008, 0.04  # shares of travel
_TOPS_APART = 0.05
_SUPPLY_V, _NEAR_EDGE_V = 5.0, 0.2  # the usual supply; sensors keep a distance from both ends, common practice
_ONE_SPOT = 0.15
_FASTEST_PER_S = 0.6  # travels a second; a slow press takes 3 s and more


@dataclass(frozen=True, slots=True)
class BenchFault:
    """One fault: time (s), share of travel (0 to 1), and what the signal does in a word or two."""

    t: float
    travel: float
    what: str


@dataclass(frozen=True, slots=True)
class PedalBench:
    """The judgement.

    Attributes:
        rest, top: V, released and pressed; NaN where unknown.
        noise: V, one standard deviation between neighbouring readings.
        presses: whole presses, down and back.
        at_rest: the throttle is released at the end.
        faults: in time order.
        wrong: what is wrong and where, one sentence each.
        unknown: why there is no verdict; empty where there is one.
        remarks: no fault but worth knowing, one sentence each.
    """

    rest: float
    top: float
    noise: float
    presses: int
    at_rest: bool
    faults: tuple[BenchFault, ...]
    wrong: tuple[str, ...]
    unknown: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def is_sound(self) -> bool:
        """Whether it was judged, and nothing is wrong."""
        return not self.unknown and not self.wrong

    @property
    def one_spot(self) -> bool:
        """Whether it failed several times, always at about one spot of travel."""
        spots = [fault.travel for fault in self.faults]
        return len(spots) > 1 and max(spots) - min(spots) < _ONE_SPOT


def judge_pedal(t: Floats, volts: Floats) -> PedalBench:
    """Judge a pedal that was pressed slowly twice.

    Args:
        t: seconds (n,), increasing.
        volts: V (n,), none NaN.
    """
    nan = float("nan")
    unknown = PedalBench(nan, nan, nan, 0, True, (), ())
    if len(t) < _LEAST_READINGS:
        return replace(unknown, unknown=f"only {len(t)} throttle readings were received")
    interval = float(np.median(np.diff(t)))
    if interval > SLOWEST_PEDAL_S:
        why = f"the throttle is read only every {interval:.2g} s; the test needs 10 Hz or faster"
        return replace(unknown, unknown=why)
    smooth = running_median(volts, max(3, round(1.0 / interval) | 1))
    low, high = float(smooth.min()), float(smooth.max())
    # between neighbouring readings; a steady movement does not count
    noise = float(1.4826 * np.median(np.abs(np.diff(volts, 2)))) / float(np.sqrt(6.0))
    if high - low < LEAST_RANGE_V:
        why = f"the signal only moved from {low:.2f} to {high:.2f} V: not pressed, or not connected"
        return PedalBench(low, high, noise, 0, True, (), (), why)
    limits = PedalRange(pedal_range(smooth).rest, high, max(noise, 1e-4))
    width = limits.top - limits.rest
    travel, share = (smooth - limits.rest) / width, (volts - limits.rest) / width
    tops = _tops(travel)
    faults = tuple(_faults(t, share, travel, limits.noise / width, interval))
    why = ""
    if len(tops) <= 1:
        seen = "only one full press was seen" if tops else "no full press was seen"
        why = f"{seen}; press slowly to the stop and release, twice"
    elif _usual_speed(t, running_median(share, 5), interval) > _FASTEST_PER_S:
        why = "the throttle was moved too fast to tell a press from a fault; take 3 s or more each way"
    wrong = () if why else (*_told(faults), *_rest_wanders(t, volts, travel, limits))
    remarks = () if why else tuple(_remarks(tops, limits))
    at_rest = bool(travel[-1] < _RELEASED)
    return PedalBench(limits.rest, limits.top, noise, len(tops), at_rest, faults, wrong, why, remarks)


def _tops(travel: Floats) -> list[float]:
    """Return how far each press went that was released again, share of travel."""
    tops, top = [], 0.0
    for share in travel.tolist():
        top = max(top, share)
        if share < _RELEASED and top > _PRESSED:
            tops.append(top)
            top = 0.0
    return tops


def _remarks(tops: list[float], limits: PedalRange) -> Iterator[str]:
    """Yield remarks on the end stops."""
    if max(tops) - min(tops) > _TOPS_APART:
        low, high = (limits.rest + share * (limits.top - limits.rest) for share in (min(tops), max(tops)))
        yield (
            f"one press ended at {high:.2f} V and another at {low:.2f} V; if the throttle reached its stop both "
            "times, it binds or its end stop is worn"
        )
    if limits.rest < _NEAR_EDGE_V:
        yield f"it rests at {max(limits.rest, 0.0):.2f} V, so a broken wire reads like a released throttle"
    if abs(limits.top - _SUPPLY_V) < _NEAR_EDGE_V:
        yield f"it ends at {limits.top:.2f} V, near a 5 V supply: a lost ground reads like a pressed throttle"


def _usual_speed(t: Floats, share: Floats, interval: float) -> float:
    """Return how fast the pedal goes when it moves, travels a second."""
    rows = max(2, round(0.3 / interval))
    speed = np.abs(share[rows:] - share[:-rows]) / (t[rows:] - t[:-rows])
    moving = speed[speed > _MOVES_PER_S]
    return float(np.median(moving)) if len(moving) else 0.0


def running_median(values: Floats, width: int) -> Floats:
    """Return the median around each reading, over an odd number of them."""
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1), dtype=np.float64)


def _faults(t: Floats, share: Floats, travel: Floats, noise: float, interval: float) -> Iterator[BenchFault]:
    """Yield each spot where the signal jumped or left the running median; within half a second they count as one."""
    off = share - travel
    step = np.abs(np.diff(share, prepend=share[0])) > max(_STEP, 8 * noise)
    rows = np.flatnonzero((np.abs(off) > max(_DIP + _FASTEST_PER_S * interval, 7 * noise)) | step)
    for group in np.split(rows, np.flatnonzero(np.diff(t[rows]) > _APART_S) + 1) if len(rows) else ():
        first, worst = int(group[0]), int(group[np.argmax(np.abs(off[group]))])
        if share[group].min() < _BELOW_REST:
            what = "drops to nothing"
        elif len(group) > _JITTERS[0] and np.count_nonzero(np.diff(np.sign(off[group]))) > _JITTERS[1]:
            what = "jitters"
        else:
            what = "dips" if off[worst] < 0 else "jumps up"
        yield BenchFault(float(t[first]), float(np.clip(share[max(first - 1, 0)], 0.0, 1.0)), what)


def _told(faults: Sequence[BenchFault]) -> list[str]:
    """Return one sentence for each kind of fault, with its place in the travel."""
    told = []
    for what in dict.fromkeys(fault.what for fault in faults):
        of_sort = [fault for fault in faults if fault.what == what]
        low, high = (100 * f(fault.travel for fault in of_sort) for f in (min, max))
        where = f"at {low:.0f} %" if high - low < _ONE_PLACE_PCT else f"between {low:.0f} and {high:.0f} %"
        times = ", ".join(clock(fault.t, tenths=True) for fault in of_sort[:6])
        times_words = "once" if len(of_sort) == 1 else f"{len(of_sort)} times"
        told.append(f"the signal {what} {times_words}, {where} of travel (at {times})")
    return told


def _rest_wanders(t: Floats, volts: Floats, travel: Floats, limits: PedalRange) -> list[str]:
    """Return a sentence where the released throttle does not return to the same voltage, or jitters."""
    width = limits.top - limits.rest
    resting = travel < 0.5 * _RELEASED
    if resting.sum() < _LEAST_RESTING:
        return []
    half = t < 0.5 * (t[0] + t[-1])
    parts = [volts[resting & side] for side in (half, ~half)]
    told = []
    if (
        min(map(len, parts)) >= _LEAST_HALF
        and abs(float(np.median(parts[0]) - np.median(parts[1]))) > _REST_MOVES * width
    ):
        told.append(f"it rests at {np.median(parts[0]):.2f} V at first and at {np.median(parts[1]):.2f} V later")
    if limits.noise > _JITTER * width:
        told.append(f"the signal jitters by {limits.noise * 1000:.0f} mV all the time: check its ground and supply")
    return told
