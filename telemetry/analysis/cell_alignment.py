"""How far each cell's charge and capacity lie from those of the middle cell, by laying their voltage curves together.

All cells carry the same current, so a cell that is fuller or emptier than the middle one shows the middle one's
voltage of another moment. Against the charge drawn, its curve is the middle one's, shifted (it holds less or
more) and stretched (its capacity is less or more). Where the curve is flat a shift hardly shows, where it is steep
it shows well; the fit says by its uncertainty which. Fitted along with it, for no cell is the middle one exactly: a
constant error of its reading, a difference in resistance, and by how much its curve is steeper than the middle one's.

Method: the curve of the middle cell is taken from the session itself, no table is needed. A cell on the plateau fits
over a long way, with a sharp end where the curve turns steep, so what it lacks at either end of the swing is looked
for in many narrow windows. In each, the model is linear and solved for all cells at once (maximum a posteriori,
iterated for what lies far off), and each window is as likely as it explains the session (Laplace's approximation).
What shift and stretch only show together is so many windows alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.cell_bins import CHARGING_C, Bins, load_drop, slow_resistance_of
from telemetry.analysis.instruments import USUAL_CELL_V
from telemetry.model.batch import Values

_GRID = 0.0025
_SPAN, _LEAST_BINS = 0.04, 12
"""A leg that moves less than this share of the capacity, or has fewer bins, tells nothing."""
_SHIFT, _STRETCH = 0.05, 0.05
"""One standard deviation beforehand: of what a cell lacks where fullest, and of its stretch. With twice as much for
the stretch, cells that lack charge after use alone came out as low in capacity."""
_RESISTANCE, _STEEPER = 2.0, (0.25, 0.05)
"""The same of its resistance against the middle cell's, and by which share its curve is steeper in use and while
charging. In use the load makes the foot steeper or flatter from one minute to the next."""
_ERROR_V = 0.0015
_ERROR_SHARE = 0.0015
_ERROR_FACTOR = 0.08
_AHEAD = 0.06
"""Share of charge by which an even current puts a cell's surface ahead of its inside, a smaller cell's by more: while
charging a stretched cell is not where its charge says, by so much of its stretch. Chosen on drawn packs, seeds 3830
to 3837."""
_ERROR_DROP = 0.02
"""Share of the load's drop by which a cell's drop is off what its resistance explains. At an even current it is one
constant, which the reading's error takes. Chosen on drawn packs, seeds 3000 to 3002 of tests/calibration."""
_SETTLING = 0.02
"""So much of the capacity is left out at the beginning of each leg, while polarisation builds up or turns round."""
_INDEPENDENT = 0.12
_INDEPENDENT_V = 0.02
"""What a curve is off hangs together over this share of the capacity, and where it is steep over this many volts: one
more minute there is no more evidence. Chosen on drawn packs, see tests/calibration."""
_TOGETHER = 0.15
"""Bins are laid together until they count for so much of one."""
_FIRST_LOOK, _HOPELESS = 3, 30.0
"""A window that costs so much more than the best, on every third bin, is left."""
_BEYOND_V, _BEYOND_SHARE, _ANYWHERE_V = 0.005, 0.5, 0.1
"""Beyond its end the middle cell's curve is guessed to go on as it ended, give or take this and a share of the way.
Elsewhere a cell is on a foot or a top that the middle cell did not see, and may be anywhere within so many volts."""
_ROUGH_APART, _APART = 0.01, 0.005
"""What went before a place on a curve is another load than before a place this share of the capacity away."""
_PLACES = 0.02 * np.sinh(np.arange(-1.9, 2.75, 0.08))
_WIDTHS = 0.8 * np.gradient(_PLACES)
"""Places at which each end's shift is looked for, and one standard deviation of the window laid there: together the
windows count every shift alike."""
_MOST_STRETCH = 0.2
_FACTORS, _STEPS = 6, 2
_AT_ONCE = 200_000
"""Numbers in one array: more do not fit into a processor's cache."""


Told = tuple[Values, Values]
"""Values and one standard deviation of each."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """Each cell against the middle one, float64 (cells,) each, as shares of the middle cell's capacity.

    Attributes:
        top: what it lacks where the session's cells were fullest; negative: it is fuller.
        bottom: the same where they were emptiest.
        stretch: by how much its charge goes further for the same ampere-hours; 0.08 of a cell whose capacity is
            1/1.08 of the others.
        swing: charge between the two ends, as a share of the capacity.
        windows: what the fit found in each of the windows it was looked for.
    """

    top: Told
    bottom: Told
    stretch: Told
    swing: float
    windows: Windows


@dataclass(frozen=True, eq=False)
class Windows:
    """The fit window by window: on a flat curve what fits is a long way and no bell.

    Attributes:
        chance: float64 (windows, cells), adds up to 1 for each cell.
        top, bottom, stretch: float64 (windows, cells), as in ``Alignment``, and inside the window.
    """

    chance: Values
    top: Told
    bottom: Told
    stretch: Told


@dataclass(frozen=True, eq=False)
class _Curve:
    """The middle cell's voltage without its resistive drop, against charge out, over one leg.

    Attributes:
        charge: float64 (points,), ascending, evenly spaced, Ah; a point beyond either end.
        volts: float64 (points,), falling.
    """

    charge: Values
    volts: Values

    def at(self, charge: Values) -> Values:
        return np.asarray(np.interp(charge, self.charge, self.volts), dtype=np.float64)


def _curve_of(charge: Values, volts: Values, capacity_ah: float, falling: bool) -> _Curve | None:
    """Return the smoothed curve through the bins of one leg, or None where it spans too little.

    In use it is made to fall, for what rises there is left of the load. At the even current of a charge it need not:
    polarisation has humps of its own.
    """
    low, high = float(charge.min()), float(charge.max())
    if high - low < _SPAN * capacity_ah:
        return None
    step = _GRID * capacity_ah
    place = np.round((charge - low) / step).astype(np.int64)
    moved = np.abs(np.gradient(charge)) + 0.01 * step  # at rest a cell recovers, many bins long and at one place
    count = np.bincount(place, weights=moved)
    held = np.flatnonzero(count)
    mean = np.bincount(place, weights=moved * volts)[held] / count[held]
    every = np.arange(len(count))
    mean = np.interp(every, held, mean)
    smooth = np.convolve(np.pad(mean, 1, mode="reflect", reflect_type="odd"), [0.25, 0.5, 0.25], "valid")
    if falling:
        smooth = (np.minimum.accumulate(smooth) + np.maximum.accumulate(smooth[::-1])[::-1]) / 2
    grid = low + every * step
    reach = 0.2 * capacity_ah
    slopes = [min(0.0, smooth[1] - smooth[0]) / step, min(0.0, smooth[-1] - smooth[-2]) / step]
    return _Curve(
        np.concatenate([[grid[0] - reach], grid, [grid[-1] + reach]]),
        np.concatenate([[smooth[0] - reach * slopes[0]], smooth, [smooth[-1] + reach * slopes[1]]]),
    )


@dataclass(frozen=True, eq=False)
class _Leg:
    """One leg: float64 (bins,) but for ``off``, (bins, cells): the readings less the middle cell's, V.

    ``drop``: V by which the load holds the middle cell down, and another by a share more or less; ``error_drop``: the
    share of it that is off besides. ``misfit``: V by which the middle cell, while charging, is off its own curve; in
    use that is the load, which all cells share.
    """

    charge: Values
    drop: Values
    off: Values
    misfit: Values
    weight: Values
    curve: _Curve
    rough_v: float
    error_drop: float
    charging: bool

    def every(self, nth: int) -> _Leg:
        """Return some of the bins, each of which then counts for as many."""
        part = {name: getattr(self, name)[::nth] for name in ("charge", "drop", "off", "misfit")}
        return replace(self, weight=nth * self.weight[::nth], **part)


def align_cells(
    bins: Bins,
    capacity_ah: float,
    resistance_ohm: float,
    reference: Values | None = None,
    settling: float = _SETTLING,
    even: bool = False,
    reading_v: float = USUAL_CELL_V,
) -> Alignment | None:
    """Lay each cell's curve on the middle one's, or on another.

    Args:
        bins: the session.
        capacity_ah: rated, to count shares in.
        resistance_ohm: of the middle cell, the scale for differences in resistance.
        reference: float64 (bins,), V, the curve to lay the others on; None is the middle cell's. Where one cell gets
            far ahead of the others, only its own curve reaches that far.
        settling: share of the capacity that is left out at the beginning of each leg.
        even: whether the current is even; else what the load leaves for minutes is taken out first.
        reading_v: V by which one cell's reading is off another's, one standard deviation.

    Returns:
        None where no leg moves enough charge.
    """
    volts = bins.middle if reference is None else reference
    steady = slow_resistance_of(bins) * bins.current
    drop = steady if even else load_drop(bins, volts, capacity_ah, resistance_ohm)
    fast = resistance_ohm * bins.current
    felt = np.where(np.abs(drop) > np.abs(fast), drop, fast)  # at an even current no drop shows that all have
    legs = _legs_of(bins, capacity_ah, volts, volts + drop, felt, settling, 0.0 if even else _ERROR_DROP)
    if not legs:
        return None
    ends = tuple(float(pick([pick(leg.charge) for leg in legs])) for pick in (min, max))
    swing = (ends[1] - ends[0]) / capacity_ah
    windows = _windows(swing)
    for nth in (_FIRST_LOOK, 1):
        cost, found, normal = _explain([leg.every(nth) for leg in legs], windows, ends, capacity_ah, reading_v)
        likely = (cost < cost.min(axis=0) + _HOPELESS).any(axis=1)
        windows = windows[likely]
    covariance = np.linalg.inv(normal)
    # Laplace's approximation of how likely each window is
    chance = -0.5 * cost + 0.5 * np.linalg.slogdet(covariance)[1]
    chance = np.exp(chance - chance.max(axis=0))
    chance /= chance.sum(axis=0)
    told: list[Told] = [
        (found @ weights, np.sqrt(np.einsum("i,wcij,j->wc", weights, covariance[..., :2, :2], weights)))
        for weights in np.array([[1.0, 0.0], [0.0, 1.0], [-1 / swing, 1 / swing]])
    ]
    top, bottom, stretch = (_together(chance, *each) for each in told)
    return Alignment(top, bottom, stretch, swing, Windows(chance, *told))


def _together(chance: Values, value: Values, sd: Values) -> Told:
    """Return mean and standard deviation over all windows, (cells,) each, from (windows, cells)."""
    mean = (chance * value).sum(axis=0)
    return mean, np.sqrt((chance * (sd**2 + (value - mean) ** 2)).sum(axis=0))


def _windows(swing: float) -> Values:
    """Return float64 (windows, 4): the shift at the full and at the empty end, and one standard deviation of each."""
    of_each = np.column_stack([_PLACES, _WIDTHS])
    (top, top_sd), (bottom, bottom_sd) = (
        np.repeat(of_each, len(of_each), axis=0).T,
        np.tile(of_each, (len(of_each), 1)).T,
    )
    apart = np.abs(bottom - top) <= _MOST_STRETCH * swing
    return np.asarray(np.column_stack([top, bottom, top_sd, bottom_sd])[apart])


def _legs_of(
    bins: Bins, capacity_ah: float, middle: Values, unloaded: Values, drop: Values, settling: float, error_drop: float
) -> list[_Leg]:
    legs = []
    for number in np.unique(bins.leg):
        here = np.flatnonzero(bins.leg == number)
        moved = np.maximum.accumulate(np.abs(bins.charge_ah[here] - bins.charge_ah[here[0]]))
        # at rest after a charge polarisation fades, and with it what the cells have in common with the curve
        flowing = bins.current[np.minimum(here + 1, len(bins.current) - 1)] < -CHARGING_C * capacity_ah
        charging = bool(number % 2)
        here = here[(moved >= settling * capacity_ah) & (flowing | (not charging))]
        charge = bins.charge_ah[here]
        if len(here) < _LEAST_BINS:
            continue
        curve = _curve_of(charge, unloaded[here], capacity_ah, falling=not charging)
        if curve is None:
            continue
        moved = np.abs(np.gradient(charge)) / capacity_ah
        climbed = np.abs(np.gradient(curve.at(charge)))
        weight = np.minimum(1.0, moved / _INDEPENDENT + climbed / _INDEPENDENT_V + 0.002)
        whole = np.concatenate([[0.0], np.cumsum(weight)])[:-1] // _TOGETHER
        first = np.flatnonzero(np.diff(whole, prepend=-1.0))
        shares = weight / np.repeat(np.add.reduceat(weight, first), np.diff(np.append(first, len(weight))))
        off = (bins.volts[here] - middle[here, None]) * shares[:, None]
        misfit = charging * (unloaded[here] - curve.at(charge))
        every = (shares * charge, shares * drop[here], off, shares * misfit, weight)
        charge, of_load, off, misfit, weight = (np.add.reduceat(each, first) for each in every)
        legs.append(_Leg(charge, of_load, off, misfit, weight, curve, _roughness(curve), error_drop, charging))
    return legs


def _roughness(curve: _Curve) -> float:
    """Return by how much two places of a curve are off each other because of the load that went before, V.

    One standard deviation, from how far a place lies from the mean of its neighbours.
    """
    apart = round(_ROUGH_APART / _GRID)
    volts = curve.volts[1:-1]
    if len(volts) < 4 * apart:
        return 0.0
    bends = volts[apart:-apart] - (volts[2 * apart :] + volts[: -2 * apart]) / 2
    return float(1.4826 * np.median(np.abs(bends - np.median(bends))) * np.sqrt(2 / 1.5))


def _explain(
    legs: list[_Leg], windows: Values, ends: tuple[float, ...], capacity_ah: float, reading_v: float
) -> tuple[Values, Values, Values]:
    """Return how well each window explains each cell: its cost, both shifts, and the precision of all six unknowns.

    Returns:
        float64 (windows, cells), (windows, cells, 2) and (windows, cells, 6, 6).
    """
    bins, cells = sum(len(leg.charge) for leg in legs), legs[0].off.shape[1]
    at_once = max(1, _AT_ONCE // (bins * cells))
    parts = [windows[at : at + at_once] for at in range(0, len(windows), at_once)]
    found = [_solved(legs, part, ends, capacity_ah, reading_v) for part in parts]
    cost, shifts, normal = (np.concatenate(each) for each in zip(*found, strict=True))
    return cost, shifts, normal


def _solved(
    legs: list[_Leg], windows: Values, ends: tuple[float, ...], capacity_ah: float, reading_v: float
) -> tuple[Values, Values, Values]:
    laid = [_laid(leg, windows, ends, capacity_ah) for leg in legs]
    design, moved, known, most, believed = (np.concatenate(each, axis=1) for each in zip(*laid, strict=True))
    off = np.concatenate([leg.off for leg in legs]) - moved[:, :, None]
    weight = np.concatenate([leg.weight for leg in legs])[:, None]
    # being ahead is one thing unknown and no noise: it makes a misfit likelier, and no window less likely
    variance, most = (known / believed)[:, :, None], most[:, :, None]
    of_both = design[:, :, :, None] * design[:, :, None, :]
    of_both = of_both.reshape(*of_both.shape[:2], _FACTORS**2)
    prior, pull, held = _prior(windows, (ends[1] - ends[0]) / capacity_ah, reading_v)
    factors, left = np.zeros((len(windows), off.shape[2], _FACTORS)), off
    for _ in range(_STEPS):
        # a bin far off counts less (Student's t with four degrees of freedom), and beyond the curve not at all
        squared = left * left / variance
        precision = (squared < most) * (5 * weight / variance) / (4 + squared)
        normal = (of_both.transpose(0, 2, 1) @ precision).transpose(0, 2, 1)
        normal = normal.reshape(*factors.shape, _FACTORS) + prior[:, None]
        right = (design.transpose(0, 2, 1) @ (precision * off)).transpose(0, 2, 1) + pull[:, None]
        factors = np.linalg.solve(normal, right[..., None])[..., 0]
        left = off - design @ factors.transpose(0, 2, 1)
    cost = (5 * np.log1p(np.minimum(left * left / variance, most) / 4) * weight).sum(axis=1)
    cost += np.log(known) @ weight + held[:, None]
    cost += np.einsum("wci,wij,wcj->wc", factors, prior, factors) - 2 * np.einsum("wci,wi->wc", factors, pull)
    return cost, windows[:, None, :2] + factors[..., :2], normal


def _prior(windows: Values, swing: float, reading_v: float) -> tuple[Values, Values, Values]:
    """Return precision and pull of what is known beforehand, about the middle of each window, and its cost there."""
    of_shifts = np.diag([_SHIFT**-2.0, 0.0]) + np.outer([-1, 1], [-1, 1]) / (_STRETCH * swing) ** 2
    nuisance = np.array([_RESISTANCE, reading_v, *_STEEPER])
    prior = np.tile(np.diag(np.concatenate([[0.0, 0.0], 1 / nuisance**2])), (len(windows), 1, 1))
    prior[:, :2, :2] = of_shifts
    prior[:, 0, 0] += windows[:, 2] ** -2
    prior[:, 1, 1] += windows[:, 3] ** -2
    pull = np.zeros((len(windows), _FACTORS))
    pull[:, :2] = -windows[:, :2] @ of_shifts
    return prior, pull, -(pull[:, :2] * windows[:, :2]).sum(axis=1)


def _laid(
    leg: _Leg, windows: Values, ends: tuple[float, ...], capacity_ah: float
) -> tuple[Values, Values, Values, Values, Values]:
    """Return what a cell in the middle of each window would show.

    Returns:
        float64 (windows, bins, 6): V by each unknown; (windows, bins): V off the middle cell; its variance; from
        which square on, in units of that, it is not believed; and the share of the precision that a stretched cell
        keeps.
    """
    along = (leg.charge - ends[0]) / (ends[1] - ends[0])
    shift = windows[:, :1] * (1 - along) + windows[:, 1:2] * along
    there = leg.charge + capacity_ah * shift
    step = 0.5 * _GRID * capacity_ah
    after, before = leg.curve.at(there + step), leg.curve.at(there - step)
    slope = (after - before) / (2 * step) * capacity_ah
    moved = (after + before) / 2 - leg.curve.at(leg.charge)
    drop = np.broadcast_to(-leg.drop, moved.shape)
    nothing = np.zeros_like(moved)
    steeper = (nothing, moved) if leg.charging else (moved, nothing)
    design = np.stack([slope * (1 - along), slope * along, drop, nothing + 1.0, *steeper], axis=2)
    # a cell still on the plateau is not off by a share of what the middle cell has climbed beyond it
    differing = np.minimum(np.abs(moved), np.abs(slope * shift))
    known = (
        _ERROR_V**2 + (_ERROR_SHARE * slope) ** 2 + (_ERROR_FACTOR * differing) ** 2 + (leg.error_drop * drop) ** 2
    )
    # near by, both readings share what the curve misses; farther off, they do not
    apart = shift**2 / (shift**2 + _APART**2)
    known += apart * leg.rough_v**2
    seen = np.clip(there, leg.curve.charge[1], leg.curve.charge[-2])
    guessed = (_BEYOND_SHARE * (leg.curve.at(there) - leg.curve.at(seen))) ** 2 + _BEYOND_V**2
    known += (there != seen) * guessed
    most = np.where(there == seen, np.inf, 4 * np.expm1(np.maximum(0.0, np.log(_ANYWHERE_V**2 / known)) / 5))
    stretch = (windows[:, 1:2] - windows[:, :1]) * capacity_ah / (ends[1] - ends[0])
    believed = 1.0 / (1.0 + leg.charging * (_AHEAD * stretch * slope) ** 2 / known)
    return design, moved - apart * leg.misfit, known, most, believed
