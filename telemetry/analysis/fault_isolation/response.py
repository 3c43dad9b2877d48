"""What the controller made of the pedal: the current it should have drawn, learnt from the drive itself.

The traction current is taken as a smooth function of the pedal's travel and the speed, zero where the pedal is at
rest, behind a dead time and a first-order lag; what other consumers draw is a line that bends every few seconds. All
of it is fitted at once by least squares that forgive outliers (Huber's weights), for the faults that are looked for
are the outliers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, Indices

_KNOT_S = 4.0
_POWERS = (1.0, 1.4, 1.9)
_LAGS_S = (0.03, 0.1, 0.2, 0.35)
_ROWS_LEARNT = 1200
MOST_KNOTS = 100
_STIFFNESS = 0.6


@dataclass(frozen=True, slots=True)
class PedalRange:
    """Pedal signal at rest and pressed down, V, and its noise at rest (one standard deviation)."""

    rest: float
    top: float
    noise: float

    def travel(self, pedal: Floats) -> Floats:
        """Return the share of travel, 0 to 1; NaN stays."""
        return np.clip((pedal - self.rest) / max(self.top - self.rest, 1e-6), 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class Response:
    """The controller's answer to the pedal.

    Attributes:
        travel: share of pedal travel (n,).
        expected: traction current that the pedal asked for, A (n,).
        base: current of everything else, A (n,).
        spread: robust standard deviation of what the fit leaves, A.
        delay_s: from the pedal to half of the current's step.
        explained: share of the current's variance that the fit explains, 0 to 1.
    """

    travel: Floats
    expected: Floats
    base: Floats
    spread: float
    delay_s: float
    explained: float


def pedal_range(pedal: Floats) -> PedalRange:
    """Learn where the pedal rests and where it ends, from its readings (V, none NaN, at least 20)."""
    low, high = np.quantile(pedal, [0.005, 0.998])
    width = max(high - low, 1e-3)
    still = np.abs(np.diff(pedal, prepend=pedal[0])) < 0.012 * width
    still &= np.roll(still, 1) & np.roll(still, -1)
    resting = pedal[still & (pedal < low + 0.45 * width)]
    if len(resting) < 20:
        return PedalRange(float(np.quantile(pedal, 0.02)), float(high), float(0.005 * width))
    counts, edges = np.histogram(resting, bins=40)
    smooth = np.convolve(counts, [0.5, 1.0, 0.5], "same")
    enough = np.flatnonzero(smooth >= max(0.25 * smooth.max(), min(8.0, smooth.max())))
    mode = int(enough[0])
    mode += int(np.argmax(smooth[mode : mode + 3]))
    near = resting[np.abs(resting - (edges[mode] + edges[mode + 1]) / 2) < 0.025 * width]
    rest = float(np.median(near))
    return PedalRange(rest, float(max(high, rest + 0.05)), float(np.std(near)) + 1e-4)


def hat_functions(t: Floats, knot_s: float) -> Floats:
    """Return the matrix (n, knots) by which values at knots become a line that bends there.

    The knots lie ``knot_s`` apart, or wider on a long drive, so that there are no more than a hundred or so.
    """
    knot_s = max(knot_s, float(t[-1] - t[0]) / MOST_KNOTS)
    count = int((t[-1] - t[0]) / knot_s) + 2
    place = np.minimum(((t - t[0]) / knot_s).astype(int), count - 2)
    share = (t - t[0]) / knot_s - place
    matrix = np.zeros((len(t), count))
    rows = np.arange(len(t))
    matrix[rows, place] = 1 - share
    matrix[rows, place + 1] = share
    return matrix


def robust_fit(
    features: Floats, knots: Floats, y: Floats, stiffness: float, rounds: int = 4
) -> tuple[Floats, Floats, float]:
    """Fit ``y`` by features and a bending line; return coefficients, residuals and their robust deviation."""
    x = np.hstack([features, knots])
    count, first = x.shape[1], features.shape[1]
    ridge = 1e-6 * np.diag((x**2).sum(axis=0) + 1e-9)
    bend = np.zeros((knots.shape[1] - 1, count))
    row = np.arange(len(bend))
    bend[row, first + row], bend[row, first + row + 1] = -stiffness, stiffness
    ridge += bend.T @ bend
    weight = np.ones(len(y))
    coefficients: Floats = np.zeros(count)
    rest = y.copy()
    spread = 1.0
    for _ in range(rounds):
        weighted = x * weight[:, None]
        coefficients[:] = np.linalg.solve(weighted.T @ x + ridge, weighted.T @ y)
        rest[:] = y - x @ coefficients
        spread = 1.48 * float(np.median(np.abs(rest))) + 1e-6
        weight = np.minimum(1.0, 1.5 * spread / np.maximum(np.abs(rest), 1e-12))
    return coefficients, rest, spread


def thinned(rows: Indices, most: int) -> Indices:
    """Return every so manieth of ``rows``, so that about ``most`` are left."""
    return rows[:: max(1, round(len(rows) / most))]


def lagged(values: Floats, lag_s: float) -> Floats:
    """Return ``values`` behind a first-order lag (a convolution with its own decay, cut at five lags)."""
    if lag_s <= STEP_S / 2:
        return values
    share = STEP_S / (lag_s + STEP_S)
    length = int(5 * lag_s / STEP_S) + 2
    kernel: Floats = share * np.power(1 - share, np.arange(length, dtype=np.float64))
    padded = np.concatenate([np.full(length, values[0]), values])
    return np.convolve(padded, kernel / kernel.sum())[length : length + len(values)]


def shifted(values: Floats, rows: int) -> Floats:
    """Return ``values`` later by ``rows`` (earlier where negative), the ends held."""
    if rows == 0:
        return values
    return (
        np.concatenate([np.full(rows, values[0]), values[:-rows]])
        if rows > 0
        else np.concatenate([values[-rows:], np.full(-rows, values[-1])])
    )


def _features(travel: Floats, speed: Floats | None, power: float, resting: Floats) -> Floats:
    w = travel**power
    if speed is None:
        return np.stack([w, w * w], axis=1)
    return np.stack(
        [w, w * speed, w * speed**2, w * w, w * w * speed, -resting * np.minimum(speed, 1.0), -resting * speed],
        axis=1,
    )


def controller_response(
    t: Floats, travel: Floats, current: Floats, speed: Floats | None, usable: Flags, dead_rows: int
) -> Response | None:
    """Learn how the current follows the pedal.

    Args:
        t: seconds (n,).
        travel: share of pedal travel (n,), none NaN.
        current: A (n,), none NaN.
        speed: m/s (n,), none NaN, or None.
        usable: rows to learn from.
        dead_rows: rows by which the current comes later than the pedal apart from the lag, about.

    Returns:
        None where there is too little to learn from.
    """
    if usable.sum() < 300 or np.quantile(travel[usable], 0.97) < 0.05:
        return None
    rows = thinned(np.flatnonzero(usable), _ROWS_LEARNT)
    knots = hat_functions(t, _KNOT_S)
    best: tuple[float, float, float, int, Floats] | None = None
    trials = [(1.4, lag, dead_rows + extra) for lag in _LAGS_S for extra in (-1, 0, 1, 2)]
    for _ in range(2):
        for power, lag, dead in trials:
            moved = lagged(shifted(travel, dead), lag)
            x = _features(moved, speed, power, (moved < 0.01).astype(np.float64))
            coefficients, _rest, spread = robust_fit(x[rows], knots[rows], current[rows], _STIFFNESS, 3)
            if best is None or spread < best[0]:
                best = (spread, power, lag, dead, coefficients)
        assert best is not None
        trials = [(power, best[2], best[3]) for power in _POWERS if power != best[1]]
    assert best is not None
    _, power, lag, dead, _ = best
    moved = lagged(shifted(travel, dead), lag)
    x = _features(moved, speed, power, (moved < 0.01).astype(np.float64))
    coefficients, _, spread = robust_fit(x[rows], knots[rows], current[rows], _STIFFNESS, 6)
    expected = x @ coefficients[: x.shape[1]]
    base = knots @ coefficients[x.shape[1] :]
    used = current[usable]
    explained = 1 - float(np.var((current - expected - base)[usable])) / max(float(np.var(used)), 1e-9)
    return Response(travel, expected, base, spread, dead * STEP_S + 0.7 * lag, max(explained, 0.0))
