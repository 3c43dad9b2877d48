"""Offset of the current sensor: known only where no current can flow, otherwise a bound.

Three things look alike on a display: a sensor that reads a current at none (*offset*), a parked machine drawing one
(*standby*, 0.3 to 1 A with the key on), and a BMS that shows 0 below half an ampere (*dead band*). Only an offset is
to be subtracted. It is read

* while the BMS has disabled both charge and discharge, so that no current can flow;
* after a mark of the owner's that the key is off and nothing is plugged in, until the load comes back;
* while the key line is off and no charger is known to run: the rest is at most the controller's leakage;
* from a rest long enough for the drift of the voltage to separate a real draw from a false one;
* where the reading comes back to one level far below zero after each load.

Otherwise it is only bounded: value 0 or what the rest allows, with an uncertainty that widens everything that counts
charge. Sizes of standby, dead band and usual offsets: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.instruments import USUAL_CURRENT_OFFSET_C
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.ranges import Z90
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.source_difference import resolution
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values
from telemetry.model.time_text import length
from telemetry.model.words import fixed

_MOST_STANDBY = 0.010
"""Draw of a machine that stands, over the capacity in an hour: 1 A on 100 Ah; common practice."""
_AS_LIKELY, _LIKELY = 0.5, 0.85
"""That nothing is drawn at a rest, without and with a sign of it; ours, held by the calibration of the charge."""
_REST_SHARE = 0.02
"""Below this share of the capacity an hour the machine may stand; common practice."""
_FAR_A = 5.0
"""A sensor nobody set to zero may be so far off: 1 % of a Hall sensor of 500 A; common practice, from memory."""
_FAR_OFF, _MORE, _RARE = 0.2, 0.3, 0.02
"""That a sensor is further off than usual; that a machine that stands draws more than usual, with a pump or a fan
running; that it is charged between loads. Ours; chosen on drawn packs with sensors up to 4 A off."""
_NO_TAIL = 1.25
"""An interval whose end is one likely value, and no tail, leaves no room for whatever else is off; chosen on drawn
packs."""
_EVEN, _EVEN_A = 2.0, 0.1
"""A rest scatters by at most so many times what it does from row to row, and so many A: a taper and a slow drive by
more. Ours."""
_COMES_BACK, _LOAD_SHARE = 3, 0.1
"""Rests at one level, each beside a load of a tenth of the capacity an hour: nobody plugs a charger in at each stop.
Ours."""
_LEAST_REST_S, _SETTLING_S, _LEAST_ROWS = 20.0, 2.0, 5
_LEAK_A, _SWITCH_LEAK_A, _STATED_LEAK_A = 0.02, 0.005, 0.01
"""What may flow though the key is off, the pack's switches are open, or a mark says that nothing was connected, A."""
_ON_V = 2.0
"""An enable line that never shows more was not wired; from memory."""
_LONG_REST_S, _ROWS_OF_DRIFT = 3600.0, 100
_STEEP_V = 0.3
"""Slope of an open-circuit curve, V a cell from empty to full, below which a drift tells no current; ours."""
_NOISE_V, _INDEPENDENT = 0.0005, 5.0
"""Noise of a minute's mean of a cell's voltage, and how many minutes go as one: they are not independent; ours."""
_DRIFT_DOUBT = 0.2
"""Doubt of what a drift shows really flows, of itself: how far the curve's slope is known."""
_OFF_WORDS = ("key off", "unplugged", "switched off", "disconnected", "isolated", "nothing connected")


@dataclass(frozen=True, slots=True)
class CurrentOffset:
    """The sensor's reading at no current, A.

    Attributes:
        value_a: to be subtracted from each reading.
        uncertainty_a: one standard deviation.
        ground: ``switches-open``, ``stated-off``, ``key-off``, ``rest-drift``, ``comes-back``, or
            ``bounded`` where it is not known.
        why: one sentence: where the figure comes from, or why there is none and what would give it.
        left_a: where it is bounded, what is left if nothing is subtracted, one standard deviation.

    """

    value_a: float
    uncertainty_a: float
    ground: str
    why: str
    left_a: float = 0.0

    @property
    def known(self) -> bool:
        """Whether it is known; otherwise ``value_a`` is only the middle of the possible range."""
        return self.ground != "bounded"


def find_offset(series: SessionSeries, pack: Pack, usual_a: float | None = None) -> CurrentOffset:
    """Return the current sensor's offset over a session, or the bound on it.

    Args:
        series: the whole session; without ``pack_current`` the offset is bounded by what is usual.
        pack: for its size and chemistry.
        usual_a: what it may be, one standard deviation, A; None: what is usual for a sensor nobody checked.

    """
    usual = USUAL_CURRENT_OFFSET_C * pack.capacity_ah if usual_a is None else usual_a
    current = series.get("pack_current")
    if current is None:
        return CurrentOffset(0.0, usual, "bounded", "pack_current was not recorded")
    for ground, off, leak, words in _grounds(series, current):
        told = _mean_while(current, off)
        if told is not None:
            value, spread, seconds = told
            why = f"mean of {length(seconds)} while {words}"
            return CurrentOffset(value, float(np.hypot(spread, leak)), ground, why)
    drift = _by_rest_drift(series, current, pack)
    bounded = _bounded(current, pack, usual)
    if drift is not None and drift.uncertainty_a < 0.7 * bounded.uncertainty_a:
        return drift
    return bounded


def _grounds(series: SessionSeries, current: Series) -> list[tuple[str, Flags, float, str]]:
    """Return, surest first, rows of current in which nothing can flow, what may leak, and the words for it."""
    t = current.t
    found: list[tuple[str, Flags, float, str]] = []
    discharge, charge = series.get("discharge_allowed"), series.get("charge_allowed")
    if discharge is not None and charge is not None:
        both_open = _held(discharge, t, 0.5) & _held(charge, t, 0.5)
        found.append(("switches-open", both_open, _SWITCH_LEAK_A, "the BMS had disabled charge and discharge"))
    marks = series.marks
    stated = [mark.t for mark in marks if any(word in mark.text.lower() for word in _OFF_WORDS)]
    if stated:
        off = np.zeros(len(t), dtype=np.bool_)
        for begin in stated:
            later = [mark.t for mark in marks if mark.t > begin]
            off |= (t >= begin) & (t < min(later, default=int(t[-1]) + 1))
        found.append(("stated-off", _quiet(current, off), _STATED_LEAK_A, "a mark says that nothing was connected"))
    key, charger = series.get("enable_voltage"), series.get("charger_input_power")
    if key is not None and key.values.max() > _ON_V:
        off = _held(key, t, 1.0)
        if charger is not None:
            off &= _held(charger, t, 5.0)
        found.append(("key-off", _quiet(current, off), _LEAK_A, "the key was off and the current steady"))
    return found


def _held(switch: Series, t: Times, below: float) -> Flags:
    """Return whether ``switch``, held until its next row, is below ``below`` at each of ``t``."""
    place = np.searchsorted(switch.t, t, side="right") - 1
    return np.asarray((place >= 0) & (switch.values[np.maximum(place, 0)] < below))


def _quiet(current: Series, off: Flags) -> Flags:
    """Return ``off`` without rows in which a current flows that no offset explains."""
    if not off.any():
        return off
    middle = float(np.median(current.values[off]))
    around = 5.0 * float(np.median(np.abs(current.values[off] - middle))) + 0.1
    return np.asarray(off & (np.abs(current.values - middle) <= around))


def _mean_while(current: Series, off: Flags) -> tuple[float, float, float] | None:
    """Return mean, its standard deviation and seconds of current while ``off``; None for less than twenty seconds.

    The first two seconds of each stretch are left out.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], off.astype(np.int8), [0]])))
    use = np.zeros(len(off), dtype=np.bool_)
    seconds = 0.0
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        first = int(np.searchsorted(current.t, current.t[begin] + round(_SETTLING_S * MICROSECONDS)))
        if first < end - 1:
            use[first:end] = True
            seconds += float(current.t[end - 1] - current.t[first]) / MICROSECONDS
    if seconds < _LEAST_REST_S or use.sum() < _LEAST_ROWS:
        return None
    values = current.values[use]
    if len(np.unique(values)) == 1 and values[0] == 0.0:
        return 0.0, _dead_band(current), seconds
    step = resolution(current.values)
    return float(values.mean()), float(np.hypot(values.std() / np.sqrt(len(values)), 0.3 * step)), seconds


def _dead_band(current: Series) -> float:
    """Return the uncertainty that exact zeros leave: half the smallest current ever shown, over the root of three."""
    shown = np.abs(current.values[current.values != 0.0])
    return float(shown.min() / np.sqrt(3.0)) if len(shown) else 0.5


def _resting(current: Series, pack: Pack) -> Flags:
    return np.asarray(np.abs(current.values) < _REST_SHARE * pack.capacity_ah)


@dataclass(frozen=True, slots=True)
class _Rest:
    """A rest, all in A.

    Attributes:
        shown_a, spread_a: mean and its standard deviation.
        beside_a: lowest median, and highest value, of the minute before and of the minute after it.
    """

    shown_a: float
    spread_a: float
    beside_a: tuple[float, float]


def _bounded(current: Series, pack: Pack, usual: float) -> CurrentOffset:
    """Return the bound: at rest the machine draws between nothing and what machines usually draw.

    A machine that stands with its key on draws more than one that is switched off, so the lowest rest comes nearest
    to nothing: more so where another rest showed more, or where it stands beside a charge. Otherwise nothing drawn is
    as likely as something drawn.

    Far from zero a consumer is on, or a charger, or the sensor is off by more than usual; where only the last is
    left, that is the offset. Such rests count only where none is near zero.
    """
    remedy = "to measure it, switch the key off and unplug the charger for a minute, with a mark that says `key off`"
    rests = _rests(current, _resting(current, pack)) or _rests(current, np.asarray(np.abs(current.values) < _FAR_A))
    lowest = min(rests, key=lambda rest: rest.shown_a + 2.0 * rest.spread_a, default=None)
    if lowest is None or lowest.spread_a > usual:
        return CurrentOffset(
            0.0, usual, "bounded", f"the pack never rested for {length(_LEAST_REST_S)} with an even current; {remedy}"
        )
    shown = lowest.shown_a
    alike = [rest for rest in rests if rest.shown_a - shown < 3.0 * np.hypot(rest.spread_a, lowest.spread_a)]
    charged = min(rest.beside_a[0] for rest in alike) < -_REST_SHARE * pack.capacity_ah
    drawn_elsewhere = max(rest.shown_a for rest in rests) - shown > max(0.1, 6.0 * lowest.spread_a)
    far, loads = abs(shown) > 3.0 * usual, sum(rest.beside_a[1] > _LOAD_SHARE * pack.capacity_ah for rest in alike)
    back = loads >= _COMES_BACK
    off = _LIKELY if drawn_elsewhere or (charged and not far) else _AS_LIKELY
    drawn, chance = _drawn(_MOST_STANDBY * pack.capacity_ah, off, 0.0 if back or not far else _RARE if loads else 0.5)
    may_be = shown - drawn
    weights = chance * (
        (1.0 - _FAR_OFF) * _normal(may_be, usual) + _FAR_OFF * _normal(may_be, max(usual, 0.5 * _FAR_A))
    )
    weights /= weights.sum()
    value = float((weights * may_be).sum())
    spread, left = (lowest.spread_a + _deviation(may_be - middle, weights) for middle in (value, 0.0))
    if back and value < -3.0 * max(usual, spread):
        why = f"after each load the sensor comes back to {fixed(shown, 2)} A, and nobody charges it at each stop"
        return CurrentOffset(value, spread, "comes-back", why)
    what = "its offset, a consumer or a charger" if far else "its standby current"
    why = f"the sensor shows {fixed(shown, 2)} A at rest, which may be {what}; {remedy}"
    return CurrentOffset(value, spread, "bounded", why, left)


def _drawn(most_a: float, off: float, charges: float) -> tuple[Values, Values]:
    """Return what may flow at a rest, A, and the chance of each.

    Nothing with chance ``off``; else evenly up to ``most_a``, or to more; or, with chance ``charges``, inwards.
    """
    steps = np.linspace(0.005, 0.995, 100)
    standby, more, charger = steps * most_a, steps * _FAR_A, -steps * _FAR_A
    share = (1.0 - off) / len(steps)
    out = np.concatenate([[off], np.full(100, (1.0 - _MORE) * share), np.full(100, _MORE * share)])
    into = np.full(100, charges / len(steps))
    return np.concatenate([[0.0], standby, more, charger]), np.concatenate([(1.0 - charges) * out, into])


def _deviation(off: Values, weights: Values) -> float:
    """Return the standard deviation of a normal distribution that reaches somewhat further with nine tenths of it."""
    sizes = np.abs(off)
    order = np.argsort(sizes)
    return _NO_TAIL / Z90 * float(sizes[order][np.searchsorted(np.cumsum(weights[order]), 0.9)])


def _normal(at: Values, deviation: float) -> Values:
    return np.asarray(np.exp(-0.5 * (at / deviation) ** 2) / deviation)


def _rests(current: Series, resting: Flags) -> list[_Rest]:
    """Return the stretches of ``resting`` in which the current is even for twenty seconds and more."""
    found = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], resting.astype(np.int8), [0]])))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if current.t[end - 1] - current.t[begin] < _LEAST_REST_S * MICROSECONDS:
            continue
        only = np.zeros(len(resting), dtype=np.bool_)
        only[begin:end] = True
        quiet = _quiet(current, only)
        told = _mean_while(current, quiet)
        shown = current.values[quiet]
        if told is not None and shown.std() <= _EVEN * np.diff(shown).std() / np.sqrt(2.0) + _EVEN_A:
            sides = [_minute(current, begin - 1, -1), _minute(current, end, 1)]
            beside = min(float(np.median(side)) for side in sides), max(float(side.max()) for side in sides)
            found.append(_Rest(told[0], told[1], beside))
    return found


def _minute(current: Series, place: int, step: int) -> Values:
    """Return the current of the minute from ``place`` on, forward or backward; 0 where there is next to none."""
    if not 0 <= place < len(current.t):
        return np.zeros(1)
    apart = np.abs(current.t - current.t[place])
    side = current.t >= current.t[place] if step > 0 else current.t <= current.t[place]
    minute = current.values[side & (apart <= 60 * MICROSECONDS)]
    return minute if len(minute) > _LEAST_ROWS else np.zeros(1)


def _by_rest_drift(series: SessionSeries, current: Series, pack: Pack) -> CurrentOffset | None:
    """Return the offset from the longest rest: a real draw lowers the open-circuit voltage along its curve.

    Over a rest, voltage is a settling (decays of 5, 20 and 60 min) plus a straight line; the line's slope over the
    curve's slope is the current that really flows. None where the curve is flat or the rest is under an hour.
    """
    voltage = series.get("pack_voltage")
    resting = _quiet(current, _resting(current, pack))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], resting.astype(np.int8), [0]])))
    if voltage is None or not len(edges):
        return None
    begin, end = max(
        zip(edges[::2], edges[1::2], strict=True), key=lambda pair: current.t[pair[1] - 1] - current.t[pair[0]]
    )
    first, last = int(current.t[begin]), int(current.t[end - 1])
    hours = (last - first) / 3.6e9
    inside = (voltage.t >= first) & (voltage.t <= last)
    if hours * 3600.0 < _LONG_REST_S or inside.sum() < _ROWS_OF_DRIFT:
        return None
    elapsed = (voltage.t[inside] - first) / 3.6e9
    volts = voltage.values[inside] / pack.cells_in_series
    bins = np.minimum((elapsed * 60).astype(np.int64), int(hours * 60))
    counts = np.bincount(bins)
    use = counts > 0
    minute = np.bincount(bins, elapsed)[use] / counts[use]
    level = np.bincount(bins, volts)[use] / counts[use]
    columns = np.stack([np.ones(len(minute)), minute, *(np.exp(-minute / (m / 60)) for m in (5, 20, 60))], axis=1)
    allowed = np.diag(1.0 / np.array([1.0, 1.0, 0.02, 0.02, 0.01]) ** 2)
    weight = 1.0 / (_NOISE_V**2 * _INDEPENDENT)
    covariance = np.linalg.inv(weight * columns.T @ columns + allowed)
    fitted = weight * covariance @ (columns.T @ level)
    table = open_circuit_tables(pack.chemistry)[0]
    share = float(table.share_at(fitted[0]))
    slope = float(table.slope_at(share))
    if slope < _STEEP_V:
        return None
    real = -float(fitted[1]) / slope * pack.capacity_ah
    spread = float(np.sqrt(covariance[1, 1])) / slope * pack.capacity_ah + _DRIFT_DOUBT * abs(real)
    shown = float(current.values[begin:end].mean())
    why = (
        f"over a rest of {length(3600 * hours)} the sensor shows {fixed(shown, 2)} A, but the voltage fell as it "
        f"would at {fixed(real, 2)} A"
    )
    return CurrentOffset(shown - real, spread, "rest-drift", why)
