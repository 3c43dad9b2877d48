"""How a voltage follows the current over a second and over ten: one linear fit to the changes over ten seconds.

The voltage of a cell under load is taken as

    V = Vopen - R I - B I0 asinh(I / I0) - S J - Q / C,    J' = (I - J) / 10 s,    Q = charge drawn

that is, an ohmic part, kinetics that bend with the current (the inverse of the Butler-Volmer law with equal
transfer coefficients; J. Newman, Electrochemical Systems, from memory), one slow part and the slope of the
open-circuit curve. All are linear in their factors, so the changes of V over ten seconds are fitted by those of I,
I0 asinh(I / I0), J and Q, of time, and of the current some tenths of a second earlier and later, which take up what
is left of a lag. What I0 is a drive hardly tells: each of ten, from a twentieth of the capacity an hour to a little
more than all of it, and no kinetics at all, counts by how well it explains the drive (the mean over models: J. A.
Hoeting and others, Statistical Science 14 (1999) 382-417, from memory), and where they differ the doubt grows.

Ten seconds and not one: of rows a second apart nobody knows what the current did in between, and a change over one
second is made of just that. Over ten seconds the mean of a load that flutters is known from few rows as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from telemetry.analysis.cell_lag import SLOWEST_S, Flags, Pairs, Track, changes, find_lag, pairs_of
from telemetry.analysis.series import Series
from telemetry.model.batch import Values

_APART_S = 1.5  # between load steps that count as two: longer than the second over which one is read
FAST_S, SLOW_S = 1.0, 10.0
"""The times for which a resistance is given: as in the pulse tests of IEC 61960 and IEC 62660-1 (from memory)."""
REFERENCE_C = 0.3
"""The current to which a resistance belongs, of the capacity an hour: the chord from rest to there."""
LEAST_STEPS = 6
_BENDS_C = 0.05 * 2.0 ** (np.arange(10) / 2.0)
"""I0, of the capacity an hour, where kinetics begin to bend: twice the exchange current, which doubles with every ten
or twenty degrees and differs from cell to cell."""
_INDEPENDENT_S = 200.0
"""What the law leaves hangs together for minutes: so many seconds of rows count as one. Chosen on drawn packs, see
docs."""
_LEAST_CHANGE_A, _LEAST_CHANGE_C = 3.0, 0.06
"""Smaller changes of current over ten seconds tell little and are left out; the second for small packs."""
_LEAST_ROWS = 30
_PARTS = 12
_AT_ONCE = 300.0
"""Time constants that are followed at once: e^300 is still a float."""
_SMALL_SAMPLE = 1.09
"""Student's 90 % quantile for twelve parts (11 degrees of freedom) over that of a normal distribution."""
_ALIKE = 1.5
"""Resistance follows the charge, so neighbouring parts of a drive are alike, and the jackknife, which takes them for
independent, finds two thirds of what it should. This and the next chosen on drawn packs, see docs."""
_MODEL = np.array([0.007, 0.015])
"""What the law above leaves open of the two figures against cells that follow another: one standard deviation. Over
ten seconds hysteresis and slower parts have their share."""
_EMPTY = 0.95
"""Of the median open-circuit voltage: lithium cells below that are within some percent of empty."""
_CURRENT, _SLOW, _CHARGE = range(3)
_STRAIGHT = 6
"""How many of the rows of the fit are no kinetics."""


@dataclass(frozen=True, eq=False)
class LoadResponse:
    """Resistance by one voltage and its current.

    Attributes:
        ohm, scatter: float64 (2,), over one second and over ten, the chord at ``REFERENCE_C``; and one standard
            deviation of each by how the parts of the session differ, the current sensor's gain left out.
        bend_a, curved_ohm: float64 (bends,), each I0 and its B, the part of the kinetics at little current, times
            how likely it is.
        reference_a: the current to which ``ohm`` belongs.
        lag_s: how much later than the current the voltage is read.
        steps: load steps used.
        seconds: float64 (n,), s from the origin, when they ended.
    """

    ohm: Values
    scatter: Values
    bend_a: Values
    curved_ohm: Values
    reference_a: float
    lag_s: float
    steps: int
    seconds: Values

    def ohm_at(self, amperes: float) -> float:
        """Return the chord over one second at another current, ohm: less the more the kinetics bend."""
        bent = chord(amperes, self.bend_a) - chord(self.reference_a, self.bend_a)
        return float(self.ohm[0] + self.curved_ohm @ bent)


def chord(amperes: float, bend_a: Values) -> Values:
    """Return asinh(x) / x at x = amperes / bend_a: 1 at no current."""
    x = np.maximum(np.abs(amperes) / bend_a, 1e-9)
    return np.asarray(np.arcsinh(x) / x)


def fit_response(
    voltage: Series, measured: Series, origin: int, capacity_ah: float, least_a: float
) -> LoadResponse | str:
    """Return how ``voltage`` follows the current ``measured``, or why that is not known.

    Args:
        voltage: V; rows at most 2.5 s apart, as those of the current.
        measured: A, positive out.
        origin: zero of the times told, microseconds.
        capacity_ah: of the pack, Ah.
        least_a: a load step is a change of more than this, A.
    """
    current = Track(measured, origin)
    narrow = pairs_of(voltage.t, origin)
    if narrow is None or max(current.interval_s, narrow.interval_s) > SLOWEST_S:
        return f"rows of voltage or current are further apart than {SLOWEST_S:g} s, or too few"
    change = voltage.values[narrow.after] - voltage.values[narrow.before]
    lag = find_lag(narrow, change, current, least_a)
    if lag is None:
        if _rises_with_load(narrow, change, current, least_a):
            return "voltage rises with load: the current counts the other way (setting sign_of_current of its source)"
        return f"too few load steps of more than {least_a:.1f} A"
    lag = round(lag, 3)
    moved = narrow.change(current, lag)
    steps, seconds = load_steps(moved, narrow.last_s, least_a)
    del narrow, change, moved  # of a day, each is some megabytes
    wide = pairs_of(voltage.t, origin, SLOW_S)
    if steps < LEAST_STEPS or wide is None:
        return f"only {steps} load steps of more than {least_a:.1f} A, and {LEAST_STEPS} are needed"
    reference_a, bend_a = REFERENCE_C * capacity_ah, _BENDS_C * capacity_ah
    near, use = changes(wide, current, lag)
    use &= np.abs(near[:, 0]) > min(_LEAST_CHANGE_A, _LEAST_CHANGE_C * capacity_ah)
    if int(use.sum()) < _LEAST_ROWS:
        return f"too few load steps of more than {least_a:.1f} A"
    wide = wide.where(use)
    fallen = voltage.values[wide.before] - voltage.values[wide.after]
    rows = _rows(wide, near[use], measured, current, lag, bend_a, fallen)
    found = _fit(rows, bend_a, reference_a, wide.interval_s)
    if found is not None:
        full = _not_empty(voltage.values[wide.after] + found[0][1] * current.at(wide.last_s - lag))
        if not full.all():
            found = _fit(rows[:, full], bend_a, reference_a, wide.interval_s)
    if found is None:
        return "no fall of voltage goes with the steps of load"
    ohm, scatter, curved = found
    return LoadResponse(ohm, scatter, bend_a, curved, reference_a, lag, steps, seconds)


def load_steps(change: Values, seconds: Values, least_a: float) -> tuple[int, Values]:
    """Return how many separate steps larger than ``least_a`` there are, and when: runs of one sign, 1.5 s apart."""
    large = np.flatnonzero(np.abs(change) > least_a)
    if not len(large):
        return 0, seconds[:0]
    anew = (np.diff(np.sign(change[large])) != 0) | (np.diff(seconds[large]) > _APART_S)
    return 1 + int(anew.sum()), seconds[large]


def _not_empty(rested: Values) -> Flags:
    """Tell rows by their open-circuit voltage: near empty a cell resists more and more, which is another figure."""
    full: Flags = rested > _EMPTY * np.median(rested)
    return full


def _rises_with_load(pairs: Pairs, change: Values, current: Track, least_a: float) -> bool:
    moved = pairs.change(current)
    large = np.abs(moved) > least_a
    return bool(large.sum() >= LEAST_STEPS and float(moved[large] @ change[large]) > 0)


def _rows(
    pairs: Pairs, near: Values, measured: Series, current: Track, lag: float, bend_a: Values, fallen: Values
) -> Values:
    """Return what the fall of voltage of each pair may follow, and that fall: float64 (6 + bends + 1, pairs)."""
    seconds = np.diff(current.seconds, prepend=current.seconds[:1])
    before = np.concatenate([measured.values[:1], measured.values[:-1]])
    charge = np.cumsum(seconds * (measured.values + before) / 2)
    change_of = current.change(pairs.first_s - lag, pairs.last_s - lag)
    kinetics = (change_of(each * np.arcsinh(measured.values / each)) for each in bend_a)
    slow = change_of(followed(current, SLOW_S))
    return np.stack([near[:, 0], slow, change_of(charge), *near[:, 1:].T, *kinetics, fallen])


def followed(current: Track, time_s: float) -> Values:
    """Return what follows the current with a time constant, A, at its rows: exact for straight lines between rows."""
    steps = np.diff(current.seconds, prepend=current.seconds[:1])
    before = np.concatenate([current.values[:1], current.values[:-1]])
    slope = np.divide(current.values - before, steps, out=np.zeros(len(steps)), where=steps > 0.0)
    added = -np.expm1(-steps / time_s) * (before - slope * time_s) + slope * steps
    # value = kept * value before + added, over some time constants at once: as a sum, undoing what was kept
    found, value = np.empty(len(steps)), float(current.values[0])
    stretches = np.flatnonzero(np.diff((current.seconds - current.seconds[0]) // (_AT_ONCE * time_s))) + 1
    for at, until in pairwise([0, *stretches.tolist(), len(steps)]):
        grown = np.exp((current.seconds[at:until] - current.seconds[at]) / time_s)
        value = value * math.exp(-steps[at] / time_s)
        found[at:until] = (value + np.cumsum(added[at:until] * grown)) / grown
        value = float(found[until - 1])
    return found


def _fit(rows: Values, bend_a: Values, reference_a: float, interval_s: float) -> tuple[Values, Values, Values] | None:
    """Return resistance over one second and ten, one standard deviation of each, and each B times its chance.

    None where none is above 0. Kinetics only ever bend one way: an I0 whose B comes out negative does not count.
    """
    sums, scale = _products(rows)
    seconds = np.array([FAST_S, SLOW_S])
    reading = np.zeros((2, _STRAIGHT + 1))
    reading[:, [_CURRENT, _SLOW, _CHARGE]] = np.stack([seconds**0, 1.0 - np.exp(-seconds / SLOW_S), seconds], axis=1)
    ohms, doubts, left, curved = [], [], [], []
    for place, bent in enumerate([*chord(reference_a, bend_a), 0.0]):
        columns = [*range(_STRAIGHT), _STRAIGHT + place][: _STRAIGHT + (bent > 0.0)]
        reading[:, _STRAIGHT] = bent
        products, target = sums[:, columns][:, :, columns], sums[:, columns, -1]
        factors = np.linalg.solve(products + 1e-10 * rows.shape[1] * np.eye(len(columns)), target[:, :, None])[..., 0]
        found = (factors / scale[columns]) @ reading[:, : len(columns)].T
        curves = factors[0, _STRAIGHT] / scale[_STRAIGHT + place] if bent else 0.0
        if curves < 0.0 or not found[0].min() > 0.0:
            continue
        without = found[1:]
        ohms.append(found[0])
        doubts.append((_PARTS - 1) / _PARTS * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
        left.append(max(sums[0, -1, -1] - float(factors[0] @ target[0]), 1e-12 * sums[0, -1, -1]))
        curved.append((place, curves))
    if not ohms:
        return None
    chance = (np.array(left) / min(left)) ** (-0.5 * rows.shape[1] * interval_s / _INDEPENDENT_S)
    chance /= chance.sum()
    ohm = chance @ np.array(ohms)
    spread = chance @ ((_ALIKE * _SMALL_SAMPLE) ** 2 * np.array(doubts) + (np.array(ohms) - ohm) ** 2)
    kinetics = np.zeros(len(bend_a) + 1)
    kinetics[[place for place, _ in curved]] = chance * [each for _, each in curved]
    return ohm, np.sqrt(spread + (_MODEL * ohm) ** 2), kinetics[:-1]


def _products(rows: Values) -> tuple[Values, Values]:
    """Return the sums of products of the scaled rows, of all pairs and without each part; and the scale of each row.

    No matrix product, whose last bits may depend on where in memory its rows lie.
    """
    scale = np.sqrt(np.einsum("in,in->i", rows, rows) / rows.shape[1]) + 1e-12
    scale[-1] = 1.0  # volts stay volts
    edges = np.linspace(0, rows.shape[1], _PARTS + 1).astype(int)
    parts = np.stack([np.einsum("in,jn->ij", rows[:, a:b], rows[:, a:b]) for a, b in pairwise(edges)])
    parts /= np.outer(scale, scale)
    total = parts.sum(axis=0)
    return np.concatenate([total[None], total - parts]), scale
