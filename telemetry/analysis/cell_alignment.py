"""How far each cell's charge and capacity lie from those of the middle cell, by laying their voltage curves together.

All cells carry the same current, so a cell that is fuller or emptier than the middle one shows the middle one's
voltage of another moment. Against the charge drawn, its curve is the middle one's, shifted (it holds less or
more) and stretched (its capacity is less or more). Where the curve is flat a shift hardly shows, where it is steep
it shows well; the fit says by its uncertainty which. A constant error of each cell's reading and a difference in
resistance are fitted along with it.

Method: the curve of the middle cell is taken from the session itself, no table is needed; each cell's shift and
stretch by Gauss-Newton with weak prior knowledge (maximum a posteriori). A cell on the plateau fits over a long way,
with a sharp end where the curve turns steep, so the shift is looked for in many narrow windows, each as likely as it
explains the session.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.analysis.cell_bins import CHARGING_C, Bins, load_drop, slow_resistance_of
from telemetry.model.batch import Values

_GRID = 0.0025
_SPAN = 0.04
"""A leg that moves less than this share of the capacity tells nothing."""
_PRIOR = np.array([0.05, 0.05, 0.5, 0.002])
"""One standard deviation beforehand: shift, stretch, resistance against the middle cell's, V of a reading's error."""
_ERROR_V = 0.0015
_ERROR_SHARE = 0.0015
_ERROR_FACTOR = 0.08
_SETTLING = 0.02
"""So much of the capacity is left out at the beginning of each leg, while polarisation builds up or turns round."""
_INDEPENDENT = 0.12
_INDEPENDENT_V = 0.02
"""What a curve is off hangs together over this share of the capacity, and where it is steep over this many volts: one
more minute there is no more evidence. Chosen on drawn packs, see tests/calibration."""
_NEAR, _REACH = 0.02, 0.4
"""Windows lie within this share of the capacity, or of the swing where that is more."""
_EVIDENCE = 0.7
"""What a window explains better counts by this power: what is off in one place of a curve is off in the next. Chosen
on drawn packs, see tests/calibration."""
_FIRST_LOOK, _HOPELESS = 3, 40.0
"""A window that costs so much more than the best, after two steps on every third bin, is left."""
_BEYOND_V = 0.03
_ROUGH_APART, _APART = 0.01, 0.005
"""What went before a place on a curve is another load than before a place this share of the capacity away."""
_WINDOWS = 0.03 * np.sinh(np.arange(-1.32, 2.2, 0.11))
_WIDTHS = 0.8 * np.gradient(_WINDOWS)
"""Places at which each fit's shift is looked for, and one standard deviation of the window laid there: together the
windows count every shift alike. Without them a fit creeps along a flat curve and stops anywhere."""
_STRETCHES, _STRETCH_WIDTH = (-0.06, -0.03, 0.0, 0.03, 0.06, 0.09, 0.12, 0.15), 0.024
"""The same for the stretch: a fit ends in the nearest of several faint bends and is sure of it."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """Each cell against the middle one, float64 (cells,) each, as shares of the middle cell's capacity.

    Attributes:
        missing_top, missing_top_sd: what it lacks where the session's cells were fullest; negative: it is fuller.
        missing_bottom, missing_bottom_sd: the same where they were emptiest.
        stretch, stretch_sd: by how much its charge goes further for the same ampere-hours; 0.08 of a cell whose
            capacity is 1/1.08 of the others.
        swing: charge between the two ends, as a share of the capacity.
        windows: what the fit found in each of the windows it was looked for.
    """

    missing_top: Values
    missing_top_sd: Values
    missing_bottom: Values
    missing_bottom_sd: Values
    stretch: Values
    stretch_sd: Values
    swing: float
    windows: Windows


@dataclass(frozen=True, eq=False)
class Windows:
    """The fit window by window: on a flat curve what fits is a long way and no bell.

    Attributes:
        chance: float64 (windows, cells), adds up to 1 for each cell.
        top, bottom, stretch: float64 (windows, cells), as in ``Alignment``; with ``_sd`` inside the window.
    """

    chance: Values
    top: Values
    top_sd: Values
    bottom: Values
    bottom_sd: Values
    stretch: Values
    stretch_sd: Values


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


def _curve_of(charge: Values, volts: Values, capacity_ah: float) -> _Curve | None:
    """Return the smoothed, falling curve through the bins of one leg, or None where it spans too little."""
    low, high = float(charge.min()), float(charge.max())
    if high - low < _SPAN * capacity_ah:
        return None
    step = _GRID * capacity_ah
    place = np.round((charge - low) / step).astype(np.int64)
    count = np.bincount(place)
    held = np.flatnonzero(count)
    mean = np.bincount(place, weights=volts)[held] / count[held]
    every = np.arange(len(count))
    mean = np.interp(every, held, mean)
    smooth = np.convolve(np.pad(mean, 1, mode="reflect", reflect_type="odd"), [0.25, 0.5, 0.25], "valid")
    falling = (np.minimum.accumulate(smooth) + np.maximum.accumulate(smooth[::-1])[::-1]) / 2
    grid = low + every * step
    reach = 0.2 * capacity_ah
    slopes = [(falling[1] - falling[0]) / step, (falling[-1] - falling[-2]) / step]
    return _Curve(
        np.concatenate([[grid[0] - reach], grid, [grid[-1] + reach]]),
        np.concatenate([[falling[0] - reach * slopes[0]], falling, [falling[-1] + reach * slopes[1]]]),
    )


@dataclass(frozen=True, eq=False)
class _Leg:
    charge: Values
    current: Values
    off: Values
    curve: _Curve
    misfit: Values
    rough: float
    weight: Values

    def of(self, cells: npt.NDArray[np.intp], every: int) -> _Leg:
        """Return some of the cells in one bin of ``every``, each of which then counts for as many."""
        charge, current, misfit, weight = (
            each[::every] for each in (self.charge, self.current, self.misfit, self.weight)
        )
        return _Leg(charge, current, self.off[::every, cells], self.curve, misfit, self.rough, every * weight)


def align_cells(
    bins: Bins,
    capacity_ah: float,
    resistance_ohm: float,
    reference: Values | None = None,
    settling: float = _SETTLING,
    full: bool = True,
    by_stretch: bool = True,
) -> Alignment | None:
    """Lay each cell's curve on the middle one's, or on another.

    Args:
        bins: the session.
        capacity_ah: rated, to count shares in.
        resistance_ohm: of the middle cell, the scale for differences in resistance.
        reference: float64 (bins,), V, the curve to lay the others on; None is the middle cell's. Where one cell gets
            far ahead of the others, only its own curve reaches that far.
        settling: share of the capacity that is left out at the beginning of each leg.
        full: whether the fullest end is a full charge. The windows lie at the steep end: there, or else where the
            cells were emptiest.
        by_stretch: look for the stretch in windows too, which takes five times as long, and take out what the load
            leaves for minutes. False where a charge at an even current and its steep end are all there is.

    Returns:
        None where no leg moves enough charge.
    """
    volts = bins.middle if reference is None else reference
    if by_stretch:
        drop = load_drop(bins, volts, capacity_ah, resistance_ohm)
    else:
        drop = slow_resistance_of(bins) * bins.current
    legs = _legs_of(bins, capacity_ah, volts, drop, settling)
    if not legs:
        return None
    low, high = (float(pick([pick(leg.charge) for leg in legs])) for pick in (min, max))
    end = low if full else high
    # shifted farther, most of a cell's curve would lie beyond the middle one's
    near = np.abs(_WINDOWS) <= max(_NEAR, _REACH * (high - low) / capacity_ah)
    windows = np.column_stack([_WINDOWS[near], 0.0 * _WINDOWS[near], _WIDTHS[near], np.inf * _WIDTHS[near]])
    likely = np.ones((len(windows), bins.volts.shape[1]), dtype=np.bool_)
    for steps, every in ((2, _FIRST_LOOK), (5, 1)):
        if by_stretch and every == 1:
            windows, likely = (np.repeat(each, len(_STRETCHES), axis=0) for each in (windows, likely))
            windows[:, 1], windows[:, 3] = np.tile(_STRETCHES, len(windows) // len(_STRETCHES)), _STRETCH_WIDTH
        found = np.zeros((*likely.shape, 4))
        cost, covariance = np.full(likely.shape, np.inf), np.zeros((*likely.shape, 4, 4)) + np.eye(4)
        for each, window in enumerate(windows):
            cells = np.flatnonzero(likely[each])
            if len(cells):
                here = [leg.of(cells, every) for leg in legs]
                fitted = _fit(here, end, capacity_ah, resistance_ohm, window, len(cells), steps)
                found[each, cells], cost[each, cells], covariance[each, cells] = fitted
        likely = cost < cost.min(axis=0) + _HOPELESS
    cost[~likely] = np.inf
    # Laplace's approximation of how likely each window is
    chance = -0.5 * _EVIDENCE * cost + 0.5 * np.linalg.slogdet(covariance)[1]
    chance = np.exp(chance - chance.max(axis=0))
    chance /= chance.sum(axis=0)
    told = [
        (found @ weights, np.sqrt(np.einsum("i,scij,j->sc", weights, covariance, weights)))
        for weights in np.array(
            [[1.0, (low - end) / capacity_ah, 0, 0], [1.0, (high - end) / capacity_ah, 0, 0], [0.0, 1.0, 0, 0]]
        )
    ]
    top, bottom, stretch = (together(chance, *each) for each in told)
    swing = (high - low) / capacity_ah
    return Alignment(*top, *bottom, *stretch, swing, Windows(chance, *told[0], *told[1], *told[2]))


def together(chance: Values, value: Values, sd: Values) -> tuple[Values, Values]:
    """Return mean and standard deviation over all windows, (cells,) each, from (windows, cells)."""
    mean = (chance * value).sum(axis=0)
    return mean, np.sqrt((chance * (sd**2 + (value - mean) ** 2)).sum(axis=0))


def _legs_of(bins: Bins, capacity_ah: float, middle: Values, drop: Values, settling: float) -> list[_Leg]:
    unloaded = middle + drop
    legs = []
    for number in np.unique(bins.leg):
        here = np.flatnonzero(bins.leg == number)
        moved = np.maximum.accumulate(np.abs(bins.charge_ah[here] - bins.charge_ah[here[0]]))
        # at rest after a charge polarisation fades, and with it what the cells have in common with the curve
        flowing = bins.current[np.minimum(here + 1, len(bins.current) - 1)] < -CHARGING_C * capacity_ah
        here = here[(moved >= settling * capacity_ah) & (flowing | (number % 2 == 0))]
        charge, current = bins.charge_ah[here], bins.current[here]
        if len(here) < 12:
            continue
        curve = _curve_of(charge, unloaded[here], capacity_ah)
        if curve is None:
            continue
        # in use the load swings, and what it leaves out of the curve all cells share
        misfit = (number % 2) * (unloaded[here] - curve.at(charge))
        moved = np.abs(np.gradient(charge)) / capacity_ah
        climbed = np.abs(np.gradient(curve.at(charge)))
        weight = np.minimum(1.0, moved / _INDEPENDENT + climbed / _INDEPENDENT_V + 0.002)
        off = bins.volts[here] - middle[here, None]
        legs.append(_Leg(charge, current, off, curve, misfit, _roughness(curve), weight))
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


def _fit(
    legs: list[_Leg],
    end: float,
    capacity_ah: float,
    resistance_ohm: float,
    window: Values,
    cells: int,
    steps: int,
) -> tuple[Values, Values, Values]:
    """Return shift, stretch, resistance and reading error of each cell in a window, its cost, and the covariance.

    Args:
        window: float64 (4,), shift and stretch in its middle, then one standard deviation of each.
    """
    about, precise = np.append(window[:2], [0.0, 0.0]), np.append(1 / window[2:] ** 2, [0.0, 0.0])
    factors = np.tile(about, (cells, 1))
    prior = np.diag(1 / _PRIOR**2 + precise)
    for step in range(steps + 1):
        left = np.zeros((len(factors), 4, 4)) + prior
        right = -factors / _PRIOR**2 - (factors - about) * precise
        cost = (factors**2 / _PRIOR**2 + (factors - about) ** 2 * precise).sum(axis=1)
        for leg in legs:
            off, slopes, precision, price = _residuals(
                leg, factors, end, capacity_ah, resistance_ohm, priced=step == steps
            )
            for row, slope in enumerate(slopes):
                weighed = precision * slope
                right[:, row] += (weighed * off).sum(axis=0)
                for column in range(row, len(slopes)):
                    of_both = (weighed * slopes[column]).sum(axis=0)
                    left[:, row, column] += of_both
                    left[:, column, row] += of_both * (column > row)
            cost += price
        if step < steps:
            change = np.linalg.solve(left, right[:, :, None])[:, :, 0]
            factors = factors + np.clip(change, [-0.03, -0.05, -1, -0.01], [0.03, 0.05, 1, 0.01])
    return factors, cost, np.asarray(np.linalg.inv(left), dtype=np.float64)


def _residuals(
    leg: _Leg, factors: Values, end: float, capacity_ah: float, resistance_ohm: float, *, priced: bool
) -> tuple[Values, tuple[Values, ...], Values, Values]:
    """Return what is left, its slope by each factor, each bin's precision and, if priced, what the rest costs."""
    along = (leg.charge - end) / capacity_ah
    shift = factors[:, 0] + along[:, None] * factors[:, 1]
    there = leg.charge[:, None] + capacity_ah * shift
    step = 0.5 * _GRID * capacity_ah
    after, before = leg.curve.at(there + step), leg.curve.at(there - step)
    slope = (after - before) / (2 * step) * capacity_ah
    moved = (after + before) / 2 - leg.curve.at(leg.charge)[:, None]
    drop = resistance_ohm * leg.current
    # near by, both readings share what the curve misses; farther off, they do not
    apart = shift**2 / (shift**2 + _APART**2)
    off = leg.off + apart * leg.misfit[:, None] - moved + factors[:, 2] * drop[:, None] - factors[:, 3]
    slopes = slope, slope * along[:, None], -drop[:, None], np.ones((1, 1))
    beyond = (there < leg.curve.charge[1]) | (there > leg.curve.charge[-2])
    # a cell still on the plateau is not off by a share of what the middle cell has climbed beyond it
    differing = np.minimum(np.abs(moved), np.abs(slope * shift))
    known = _ERROR_V**2 + (_ERROR_SHARE * slope) ** 2 + (_ERROR_FACTOR * differing) ** 2
    known += apart * leg.rough**2
    variance = known + beyond * _BEYOND_V**2
    # a bin far off counts less (Student's t with four degrees of freedom)
    squared = off**2 / variance
    precision = leg.weight[:, None] / variance * (5 / (4 + squared))
    if not priced:
        return off, slopes, precision, np.zeros(len(factors))
    # what lies beyond the middle cell's curve says little, and that is no reason against a place
    price = leg.weight[:, None] * (5 * np.log1p(squared / 4) + np.log(np.where(beyond, _ERROR_V**2, known)))
    return off, slopes, precision, price.sum(axis=0)
