"""What a controller may make of pedal and speed: the terms that describe the current that the pedal asks for.

Two kinds of controllers are common practice. One takes the pedal for a torque: the current rises with the pedal at
any speed. One takes it for a voltage on the motor, which makes a voltage of its own as it turns: the current rises
with what the pedal is above the speed, and is nothing where it is below. Both are one family, a free curve over
``pedal - ratio * speed`` that changes with the speed, with ``ratio`` 0 for the first kind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Floats, Indices

_KNOTS: Floats = np.array([0.0, 0.03, 0.08, 0.16, 0.3, 0.55, 1.0])
_AT_REST = 0.01
_ALL = slice(None)


@dataclass(frozen=True, slots=True)
class Follows:
    """How the current follows the pedal.

    Attributes:
        ratio: travel that the usual top speed is worth; 0 where the pedal sets a torque.
        lag_s: time constant of the first-order lag.
        dead: rows that pass before anything happens.
    """

    ratio: float
    lag_s: float
    dead: int


@dataclass(frozen=True, eq=False)
class Terms:
    """What describes the current asked for, before the lag.

    Attributes:
        ramps: share of each piece of the curve that is passed (n, pieces), 0 to 1.
        speeds: how near the speed is to a stand, half and all of the top speed (n, 3), or ones (n, 1).
        braking: what the controller takes back with the pedal at rest (n, 0 or 2).
        lag_s: the lag.
    """

    ramps: Floats
    speeds: Floats
    braking: Floats
    lag_s: float

    def columns(self, rows: Indices | slice = _ALL) -> Floats:
        """Return all of them behind the lag (n, k)."""
        shapes = [self.ramps * speed[:, None] for speed in self.speeds.T]
        return lagged(np.hstack([*shapes, self.braking]), self.lag_s)[rows]

    def full(self, weights: Floats) -> Floats:
        """Return what a full pedal would ask for (n,), by the weights of the columns."""
        powers, pieces = self.speeds.shape[1], self.ramps.shape[1]
        summed: Floats = self.speeds @ weights[: powers * pieces].reshape(powers, pieces).sum(axis=1)
        return summed


def terms(travel: Floats, speed: Floats | None, how: Follows) -> Terms:
    """Return what the current may depend on.

    Args:
        travel: share of pedal travel (n,).
        speed: over the usual top speed (n,), or None.
        how: how the current follows.
    """
    moved = shifted(travel, how.dead)
    if speed is None:
        return Terms(_ramps(moved), np.ones((len(moved), 1)), np.zeros((len(moved), 0)), how.lag_s)
    ramps = _ramps(moved - how.ratio * speed)
    resting = (moved < _AT_REST).astype(np.float64)
    braking = np.stack([-resting * np.minimum(4 * speed, 1.0), -resting * speed], axis=1)
    part = np.clip(speed, 0.0, 1.0)
    hats = [np.clip(1 - 2 * part, 0.0, 1.0), 1 - np.abs(2 * part - 1), np.clip(2 * part - 1, 0.0, 1.0)]
    return Terms(ramps, np.stack(hats, axis=1), braking, how.lag_s)


def _ramps(values: Floats) -> Floats:
    """Return how far (n, pieces) each piece between knots, shares of the highest value, is passed, 0 to 1."""
    knots = _KNOTS * max(float(np.quantile(values, 0.995)), 0.1)
    return np.clip((values[:, None] - knots[:-1]) / np.diff(knots), 0.0, 1.0)


def lagged(values: Floats, lag_s: float) -> Floats:
    """Return ``values`` (n,) or (n, k) behind a first-order lag (its decay, cut at five lags)."""
    if lag_s <= STEP_S / 2:
        return values
    share = STEP_S / (lag_s + STEP_S)
    length = int(5 * lag_s / STEP_S) + 2
    kernel: Floats = share * np.power(1 - share, np.arange(length, dtype=np.float64))
    kernel /= kernel.sum()
    columns = values[:, None] if values.ndim == 1 else values
    padded = np.concatenate([np.repeat(columns[:1], length, axis=0), columns])
    sums = np.stack([np.convolve(column, kernel)[length : length + len(values)] for column in padded.T], axis=1)
    return sums[:, 0] if values.ndim == 1 else sums


def shifted(values: Floats, rows: int) -> Floats:
    """Return ``values`` later by ``rows`` (earlier where negative), the ends held."""
    if rows == 0:
        return values
    return (
        np.concatenate([np.full(rows, values[0]), values[:-rows]])
        if rows > 0
        else np.concatenate([values[-rows:], np.full(-rows, values[-1])])
    )
