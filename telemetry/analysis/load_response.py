"""How a voltage follows the current over a second and over ten: one linear fit to the changes over ten seconds.

The voltage of a cell under load is taken as

    V = Vopen - R I - B I0 asinh(I / I0) - S J - Q / C,    J' = (I - J) / 10 s,    Q = charge drawn

that is, an ohmic part, kinetics that bend with the current (the inverse of the Butler-Volmer law with equal
transfer coefficients; J. Newman, Electrochemical Systems, from memory), one slow part and the slope of the
open-circuit curve. All are linear in their factors, so the changes of V over ten seconds are fitted by those of I,
I0 asinh(I / I0), J and Q, of time, and of the current some tenths of a second earlier and later, which take up what
is left of a lag. I0 is the one that leaves least of ten, from a twentieth of the capacity an hour to a little more
than all of it.

Ten seconds and not one: of rows a second apart nobody knows what the current did in between, and a change over one
second is made of just that. Over ten seconds the mean of a load that flutters is known from few rows as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from telemetry.analysis.cell_lag import SLOWEST_S, Pairs, Track, changes, find_lag, pairs_of
from telemetry.analysis.series import Series
from telemetry.model.batch import Flags, Values

_APART_S = 1.5  # between load steps that count as two: longer than the second over which one is read
FAST_S, SLOW_S = 1.0, 10.0
"""The times for which a resistance is given: as in the pulse tests of IEC 61960 and IEC 62660-1 (from memory)."""
REFERENCE_C = 0.3
"""The current to which a resistance belongs, of the capacity an hour: the chord from rest to there."""
LEAST_STEPS = 6
_BENDS_C = tuple(0.05 * 2.0 ** (step / 2.0) for step in range(10))
"""I0, of the capacity an hour, where kinetics begin to bend: twice the exchange current, which doubles with every ten
or twenty degrees and differs from cell to cell. The one that fits best is taken."""
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
independent, finds two thirds of what it should. This and ``_MODEL`` chosen on drawn packs, see docs."""
JACKKNIFE = _ALIKE * _SMALL_SAMPLE
"""A standard deviation over what the jackknife over twelve parts of a drive finds."""
_MODEL = 0.012
"""What the law above leaves open of either figure against cells that follow another: one standard deviation."""
_EMPTY = 0.95
"""Of the median open-circuit voltage: lithium cells below that are within some percent of empty."""
_CURRENT, _CURVED, _SLOW, _CHARGE = range(4)


@dataclass(frozen=True, eq=False)
class LoadResponse:
    """Resistance by one voltage and its current.

    Attributes:
        ohm, scatter: float64 (2,), over one second and over ten, the chord at ``REFERENCE_C``; and one standard
            deviation of each by how the parts of the session differ, the current sensor's gain left out.
        curved_ohm: the part of the kinetics at little current, B.
        bend_a: I0.
        reference_a: the current to which ``ohm`` belongs.
        lag_s: how much later than the current the voltage is read.
        steps: load steps used.
        seconds: float64 (n,), s from the origin, when they ended.
    """

    ohm: Values
    scatter: Values
    curved_ohm: float
    bend_a: float
    reference_a: float
    lag_s: float
    steps: int
    seconds: Values

    def ohm_at(self, amperes: float) -> float:
        """Return the chord over one second at another current, ohm: less the more the kinetics bend."""
        bent = chord(amperes, self.bend_a) - chord(self.reference_a, self.bend_a)
        return float(self.ohm[0]) + self.curved_ohm * bent

    def share_under_load(self, amperes: Values) -> float:
        """Return the mean resistance to small changes at loads ``amperes`` over the chord: below 1 where it bends."""
        under_load = float((1.0 / np.hypot(1.0, amperes / self.bend_a)).mean())
        return 1.0 + self.curved_ohm * (under_load - chord(self.reference_a, self.bend_a)) / float(self.ohm[0])


def chord(amperes: float, bend_a: float) -> float:
    """Return asinh(x) / x at x = amperes / bend_a: 1 at no current."""
    x = abs(amperes) / bend_a
    return math.asinh(x) / x if x > 0.0 else 1.0


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
    reference_a = REFERENCE_C * capacity_ah
    features, use = _features(wide, measured, current, lag)
    use &= np.abs(features[:, _CURRENT]) > min(_LEAST_CHANGE_A, _LEAST_CHANGE_C * capacity_ah)
    if int(use.sum()) < _LEAST_ROWS:
        return f"too few load steps of more than {least_a:.1f} A"
    fallen = voltage.values[wide.before] - voltage.values[wide.after]
    features, fallen = features[use], fallen[use]
    bends = [each * capacity_ah for each in _BENDS_C]
    used = wide.where(use)
    change_of = current.change(used.first_s - lag, used.last_s - lag)
    bent = np.stack([change_of(bend_a * np.arcsinh(measured.values / bend_a)) for bend_a in bends])
    best = _best_bend(features, bent, fallen)
    bend_a, features[:, _CURVED] = bends[best], bent[best]
    del bent, change_of
    found = _fit(features, fallen, chord(reference_a, bend_a))
    if found is not None:
        full = _not_empty(voltage.values[wide.after] + found[0][1] * current.at(wide.last_s - lag))[use]
        features, fallen = features[full], fallen[full]
        found = _fit(features, fallen, chord(reference_a, bend_a))
    if found is None:
        return "no fall of voltage goes with the steps of load"
    ohm, scatter, curved = found
    return LoadResponse(ohm, scatter, curved, bend_a, reference_a, lag, steps, seconds)


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


def _best_bend(features: Values, curved: Values, fallen: Values) -> int:
    """Return which of the rows of ``curved``, one for each I0, leaves the least of ``fallen``.

    What the other features explain is taken out of both first. Rows that would bend upwards do not count.
    """
    x = np.ascontiguousarray(np.delete(features, _CURVED, axis=1).T)
    x /= np.sqrt((x**2).mean(axis=1, keepdims=True)) + 1e-12
    targets = np.concatenate([fallen[None], curved])
    weights = np.linalg.solve(_products(x, x) + 1e-10 * x.shape[1] * np.eye(len(x)), _products(x, targets))
    for each, of_each in zip(targets, weights.T, strict=True):
        for row, weight in zip(x, of_each, strict=True):
            each -= weight * row
    left, kept = targets[:1], targets[1:]
    along, spread = _products(kept, left)[:, 0], np.einsum("in,in->i", kept, kept)
    return int(np.argmax(np.where(along > 0.0, along, 0.0) ** 2 / (spread + 1e-12)))


def _products(one: Values, other: Values) -> Values:
    """Return the sums of products of rows (rows, n), float64 (rows of one, rows of other).

    No matrix product, whose last bits may depend on where in memory its rows lie.
    """
    return np.asarray(np.einsum("in,jn->ij", one, other))


def _features(pairs: Pairs, measured: Series, current: Track, lag: float) -> tuple[Values, Flags]:
    """Return what the voltage of each pair may follow, float64 (pairs, 7), and which pairs are known.

    The column of the kinetics is left empty.
    """
    near, known = changes(pairs, current, lag)
    seconds = np.diff(current.seconds, prepend=current.seconds[:1])
    before = np.concatenate([measured.values[:1], measured.values[:-1]])
    charge = np.cumsum(seconds * (measured.values + before) / 2)
    first, last = pairs.first_s - lag, pairs.last_s - lag
    del seconds, before
    change_of = current.change(first, last)
    moved = [change_of(each) for each in (followed(current, SLOW_S), charge)]
    return np.stack([near[:, 0], 0.0 * near[:, 0], *moved, near[:, 1], near[:, 2], near[:, 3]], axis=1), known


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


def _fit(features: Values, fallen: Values, bent: float) -> tuple[Values, Values, float] | None:
    """Return resistance over one second and ten, one standard deviation of each, and B; None where none is above 0.

    Kinetics only ever bend one way: where B comes out negative it is taken as none.
    """
    every = range(features.shape[1])
    for columns in (list(every), [each for each in every if each != _CURVED]):
        whole, without = _factors(features if _CURVED in columns else features[:, columns], fallen)
        curved = float(whole[columns.index(_CURVED)]) if _CURVED in columns else 0.0
        if curved >= 0.0:
            break
    reading = np.zeros((2, features.shape[1]))
    for row, seconds in enumerate((FAST_S, SLOW_S)):
        reading[row, [_CURRENT, _CURVED, _SLOW, _CHARGE]] = 1.0, bent, 1.0 - math.exp(-seconds / SLOW_S), seconds
    reading = reading[:, columns]
    ohm = reading @ whole
    if not float(ohm.min()) > 0.0:
        return None
    parts = without @ reading.T
    spread = np.sqrt((_PARTS - 1) / _PARTS * ((parts - parts.mean(axis=0)) ** 2).sum(axis=0))
    return ohm, np.hypot(JACKKNIFE * spread, _MODEL * ohm), curved


def _factors(features: Values, targets: Values) -> tuple[Values, Values]:
    """Return the factors of a least-squares fit, and (parts, features) those without each part of the rows."""
    x = np.ascontiguousarray(features.T)
    scale = np.sqrt((x**2).mean(axis=1)) + 1e-12
    x /= scale[:, None]
    edges = np.linspace(0, len(targets), _PARTS + 1).astype(int)
    parts = np.stack([_products(x[:, a:b], x[:, a:b]) for a, b in pairwise(edges)])
    sums = np.stack([_products(x[:, a:b], targets[None, a:b])[:, 0] for a, b in pairwise(edges)])
    whole, total = parts.sum(axis=0) + 1e-10 * len(targets) * np.eye(len(x)), sums.sum(axis=0)
    without = np.linalg.solve(whole - parts, (total - sums)[:, :, None])[:, :, 0]
    return np.linalg.solve(whole, total) / scale, without / scale
