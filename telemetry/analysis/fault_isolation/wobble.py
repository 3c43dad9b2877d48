"""Whether a resistance wobbles: the voltage's quick noise as a function of the current.

A meter's noise is the same at any current. A joint whose resistance wobbles within a second or less, by itself or by
shaking, adds noise that is the current times the wobble. What a fit with a steady resistance leaves is freed of
everything slower than a second, by which polarisation, a bent curve of an empty pack and a drifting meter drop out.
Then its variance is compared between little and much current. Only the calmer part of the readings at each current is
taken, for where the current itself changes quickly, two instruments that are not quite at the same instant disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Flags, Floats

_WINDOW_ROWS = 21
_BINS = 10
_CALM_SHARE = 0.6
_LEAST_IN_BIN = 20
_ROUNDS = 5
_HIGH = 0.9


@dataclass(frozen=True, slots=True)
class Wobble:
    """How the voltage's noise grows with the current.

    Attributes:
        noise: standard deviation without current, V: the meter's.
        ohm: standard deviation of the resistance, ohm; 0 where the noise does not grow.
        load: a high usual current, A (90 %).
    """

    noise: float
    ohm: float
    load: float

    @property
    def loaded(self) -> float:
        """Standard deviation of the voltage at the high usual current, V."""
        return float(np.hypot(self.noise, self.ohm * self.load))


def wobble(rest: Floats, current: Floats, usable: Flags, unsure_ohm: float) -> Wobble:
    """Learn how the noise grows with the current.

    Args:
        rest: what a fit with a steady resistance leaves (n,), V.
        current: A (n,).
        usable: rows of the fit, at least some hundreds.
        unsure_ohm: change of the voltage with the current that may be read at another instant, ohm; 0 where both are
            recorded as fast as the current changes.
    """
    window = np.ones(_WINDOW_ROWS)
    weight = np.convolve(usable.astype(np.float64), window, "same")
    mean = np.convolve(np.where(usable, rest, 0.0), window, "same") / np.maximum(weight, 1.0)
    quick = rest - mean
    rows = np.flatnonzero(usable & (weight > 0.7 * weight.max()))
    drawn = np.abs(current)
    if len(rows) < _BINS * _LEAST_IN_BIN:
        return Wobble(_deviation(quick[usable]), 0.0, float(np.quantile(drawn[usable], _HIGH)))
    activity = _activity(current)
    order = rows[np.argsort(drawn[rows])]
    variances, loads = np.empty(_BINS), np.empty(_BINS)
    for k, part in enumerate(np.array_split(order, _BINS)):
        calm = part[np.argsort(activity[part])[: max(round(_CALM_SHARE * len(part)), _LEAST_IN_BIN)]]
        variance = _deviation(quick[calm]) ** 2
        unsure = (unsure_ohm * float(np.median(activity[calm]))) ** 2
        variances[k] = max(variance - unsure, 0.1 * variance)
        loads[k] = float(np.median(drawn[calm]))
    idle, growth = _line(loads**2, variances)
    noise = max(idle, 0.5 * float(variances.min())) ** 0.5
    return Wobble(noise, max(growth, 0.0) ** 0.5, float(np.quantile(drawn[rows], _HIGH)))


def _activity(current: Floats) -> Floats:
    """Return by how much the current changes within some tenths of a second around (n,), A."""
    steps = np.abs(np.convolve(current, [1, 1, 0, 0, 0, 0, 0, -1, -1], "same")) / 2
    return np.asarray(steps, dtype=np.float64)


def _line(x: Floats, variances: Floats) -> tuple[float, float]:
    """Return where a line through variances begins and its slope, each weighed by its own uncertainty."""
    columns = np.stack([np.ones(len(x)), x], axis=1)
    weight = 1 / np.maximum(variances, 1e-9)
    begin, slope = 0.0, 0.0
    for _ in range(_ROUNDS):
        (begin, slope), *_ = np.linalg.lstsq(columns * weight[:, None], variances * weight, rcond=None)
        weight = 1 / np.maximum(np.maximum(begin + slope * x, 0.1 * variances), 1e-9)
    return float(begin), float(slope)


def _deviation(values: Floats) -> float:
    return 1.48 * float(np.median(np.abs(values - np.median(values)))) + 1e-4
