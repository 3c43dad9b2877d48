"""The state of charge that fits a course of voltage best: many hypotheses of the start, each with a Kalman filter.

A hypothesis sets the state of charge at the start, a factor on the counted charge (the sensor's gain and the true
capacity in one) and which open-circuit table fits best. Given those, voltage is linear in everything else, so each
hypothesis has one exact Kalman filter over

* four resistances, each the voltage drop at one C of current after a delay (none, 10 s, 60 s, 600 s),
* hysteresis, and its remainder at the start,
* the error of the table: smooth waves over the charge axis and a shift along it,
* a slow drift for whatever a model of this size lacks.

The likelihood of each step weights the hypotheses. Errors of a model are correlated in time, so the evidence of
a step is discounted (a power below one of its likelihood). Where the open-circuit curve is flat, all hypotheses
predict the same voltage and none gains weight: voltage then changes nothing.

Sources: Kalman filter over charge, resistance and hysteresis, G. L. Plett, J. Power Sources 134 (2004) 252-292; sum
of weighted filters, H. W. Sorenson and D. L. Alspach, Automatica 7 (1971) 465-479; discounted (tempered) likelihood,
common practice of robust statistics. The numbers below are set on simulated packs with tables warped at random, see
docs/state-of-charge.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.charge_blocks import BINS, BLOCK
from telemetry.analysis.open_circuit import OpenCircuitTable, TableTrust
from telemetry.model.batch import MICROSECONDS, Values

_BLOCK_S = BLOCK / MICROSECONDS
_DELAYS_S = np.array([0.0, 10.0, 60.0, 600.0])
_RESISTANCE_V = np.array([0.030, 0.012, 0.015, 0.020])  # voltage at 1 C, usual for small traction cells
_RESISTANCE_SD_V = np.array([0.040, 0.020, 0.020, 0.025])
_RESISTANCE_WALK_V = np.array([8e-4, 5e-4, 5e-4, 5e-4])  # per square root of a block
_BENT_AT = 0.4  # C rate from which the electrodes' own share of resistance bends off
_BENT_SD_V = 0.012
_RESISTANCE_KELVIN = 3000.0
"""By which resistance rises in the cold; activation energies of 20 to 35 kJ/mol of lithium cells, common practice."""
_WAVES = np.linspace(0.0, 1.0, 7)
_WAVE_LENGTH = 0.18
_HYSTERESIS_SHARE = 0.03  # charge that turns hysteresis round
_POLES = len(_DELAYS_S)
_SINGLE_BLOCKS, _TOGETHER = 6, 3
_BENT, _HYSTERESIS, _LEFT, _ALONG, _DRIFT, _FIRST_WAVE = range(_POLES, _POLES + 6)
_STATES = _FIRST_WAVE + len(_WAVES)


@dataclass(frozen=True, slots=True)
class FilterSettings:
    """The filter's assumptions about its own errors.

    Attributes:
        noise_v: standard deviation of a block's mean voltage around the model, V.
        drift_v: of the slow drift, V; ``drift_s``: how long it lasts, s.
        discount: power of the likelihood, 0 to 1.
        factor: of the count factor (gain over capacity), relative.
        first_whole: count the first step's likelihood in full, the second's by half, and so on down to ``discount``.
        step: between hypotheses of the start, share.
        unmodelled: error that no weighing of hypotheses shows (the cells' own curve against every table, over-voltage
            of another form), share; one standard deviation at 25 degC, more in the cold as resistance is.

    """

    noise_v: float = 0.003
    drift_v: float = 0.003
    drift_s: float = 900.0
    discount: float = 0.2
    factor: float = 0.03
    loaded_v: float = 0.004
    first_whole: bool = True
    step: float = 0.02
    unmodelled: float = 0.0


@dataclass(frozen=True, eq=False)
class Belief:
    """A state of charge as a distribution, 0 to 1.

    Attributes:
        mean, deviation: mean and one standard deviation.
        low, high: 5 % and 95 % of it.

    """

    mean: Values
    deviation: Values
    low: Values
    high: Values


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Possible states of charge along a stretch: straight lines over the count and time.

    Attributes:
        start: float64 (n,), share of charge at the beginning.
        factor: float64 (n,), by which the counted charge counts.
        drain: float64 (n,), what goes out besides what is counted, share an hour.
        weight: float64 (n,), adding up to one.
        spacing: share between neighbouring lines: each stands for those around it.

    """

    start: Values
    factor: Values
    drain: Values
    weight: Values
    spacing: float


def starting_with(shares: Values, weights: Values, factor: float) -> Hypotheses:
    """Return hypotheses of every one of ``shares``, with count factors around one (standard deviation ``factor``)."""
    factors, of_factor = _factors(factor)
    count = len(factors)
    return Hypotheses(
        np.repeat(shares, count),
        np.tile(factors, len(shares)),
        np.zeros(len(shares) * count),
        np.outer(weights, of_factor).ravel(),
        float(np.median(np.diff(shares))),
    )


class ChargeFilter:
    """Weighs hypotheses of charge block by block; forward only.

    Attributes:
        start: float64 (h,), each hypothesis' share of charge at the beginning.
        factor: float64 (h,), by which it multiplies the counted charge.
        drain: float64 (h,), what it adds to the count, share an hour.
        log_weight: float64 (h,), relative.
        counted: charge out since the beginning, share of the stated capacity; ``hours`` counted so far.

    """

    def __init__(
        self,
        tables: Sequence[OpenCircuitTable],
        trust: TableTrust,
        settings: FilterSettings,
        hypotheses: Hypotheses | None = None,
    ) -> None:
        """Begin with ``hypotheses``, each with every table; None: every state of charge equally likely."""
        self._tables, self._trust, self._settings = tuple(tables), trust, settings
        begin = hypotheses if hypotheses is not None else starting_with(*even_shares(settings.step), settings.factor)
        of_table = np.array([table.weight for table in tables])
        self.start, self.factor, self.drain = (
            np.repeat(each, len(of_table)) for each in (begin.start, begin.factor, begin.drain)
        )
        self._table = np.tile(np.arange(len(of_table)), len(begin.start))
        with np.errstate(divide="ignore"):
            self.log_weight = np.log(np.outer(begin.weight, of_table / of_table.sum())).ravel()
        count = len(self.start)
        mean, covariance = _first_state(trust, settings)
        self._of_waves = covariance[_FIRST_WAVE:, _FIRST_WAVE:].copy()
        self._state = np.tile(mean, (count, 1))
        self._covariance = np.tile(covariance, (count, 1, 1))
        self.counted, self.hours = 0.0, 0.0
        self._delayed = np.zeros(_POLES)
        self._side, self._left, self._seen, self._unseen = 0.0, 1.0, 0, 0
        self._now = np.zeros(_POLES + 5)
        self._waiting: list[Values] = []
        self._spacing, self._thermal = begin.spacing, 1.0

    def count(self, share: float, c_rates: Values, thermal: float = 1.0) -> None:
        """Advance by one block: ``share`` of the capacity went out, at the rates (C) of each second in it.

        ``thermal``: resistance over that at 25 degC (:func:`thermal_factor`).
        """
        self.counted += share
        self.hours += _BLOCK_S / 3600.0
        self._delayed, delayed = _delay(self._delayed, c_rates)
        bent = float((_BENT_AT * np.arcsinh(c_rates / _BENT_AT) - c_rates).mean())
        kept = float(np.exp(-abs(share) / _HYSTERESIS_SHARE))
        self._side = self._side * kept - float(np.sign(share)) * (1.0 - kept)
        self._left *= kept
        self._thermal = thermal
        resistive = thermal * np.append(delayed, bent)
        self._now = np.array([*resistive, self._side, self._left, self.hours, self.counted])
        self._unseen += 1

    def take_over(self, other: ChargeFilter) -> None:
        """Take the cell's present state and its resistances from another filter of the same session."""
        self._delayed, self._side, self._left = other._delayed.copy(), other._side, other._left
        weights = other.weights
        means = weights @ other._state[:, : _BENT + 1]
        self._state[:, : _BENT + 1] = means
        apart = other._state[:, : _BENT + 1] - means
        spread = (weights @ apart**2) + weights @ np.diagonal(other._covariance, axis1=1, axis2=2)[:, : _BENT + 1]
        self._covariance[:, : _BENT + 1, : _BENT + 1] = np.diag(spread)

    def see(self, volts: float) -> None:
        """Weight the hypotheses by one block's mean voltage of a cell, V.

        After the first minute three blocks are looked at together, by their means, which the model gives as well.
        """
        self._waiting.append(np.array([*self._now, volts]))
        if len(self._waiting) >= (1 if self._seen < _SINGLE_BLOCKS else _TOGETHER):
            together = np.array(self._waiting).sum(axis=0) / len(self._waiting)
            self._waiting.clear()
            self._time_passes(self._unseen)
            self._unseen = 0
            self._weigh(together[:-3], self._shares(together[-2:-1], together[-3:-2])[0], float(together[-1]))

    def _time_passes(self, blocks: int) -> None:
        """Let resistances wander and the drift fade over some blocks."""
        places = np.arange(_POLES)
        self._covariance[:, places, places] += blocks * _RESISTANCE_WALK_V**2
        lasting = float(np.exp(-blocks * _BLOCK_S / self._settings.drift_s))
        self._state[:, _DRIFT] *= lasting
        self._covariance[:, _DRIFT, :] *= lasting
        self._covariance[:, :, _DRIFT] *= lasting
        self._covariance[:, _DRIFT, _DRIFT] += self._settings.drift_v**2 * (1.0 - lasting**2)

    def _shares(self, counted: Values, hours: Values) -> Values:
        """Return the share of charge of each hypothesis at some moments, float64 (moments, h)."""
        return np.asarray(self.start - counted[:, None] * self.factor - hours[:, None] * self.drain)

    def _weigh(self, regressors: Values, share: Values, volts: float) -> None:
        """Run one Kalman step in every hypothesis and multiply the weights by its likelihood."""
        foreseen, slope = self._curve(share)
        row = np.empty((len(share), _STATES))
        row[:, : _BENT + 1] = -regressors[: _BENT + 1]
        row[:, _HYSTERESIS], row[:, _LEFT] = regressors[_BENT + 1 :]
        row[:, _ALONG], row[:, _DRIFT] = slope, 1.0
        row[:, _FIRST_WAVE:] = _waves(share, self._of_waves)
        gained = np.matmul(self._covariance, row[:, :, None])[:, :, 0]
        loaded = self._settings.loaded_v * float(np.abs(regressors[:_POLES]).max())
        within = 0.3 * self._spacing * slope  # a hypothesis stands for the shares around it
        variance = (row * gained).sum(axis=1) + self._settings.noise_v**2 + loaded**2 + within**2
        surprise = volts - foreseen - (row * self._state).sum(axis=1)
        gain = gained / variance[:, None]
        self._state += gain * surprise[:, None]
        self._covariance -= gain[:, :, None] * gained[:, None, :]
        self._seen += 1
        first = 1.0 / self._seen if self._settings.first_whole else 0.0
        discount = max(self._settings.discount, first)
        squared = np.minimum(surprise**2 / variance, 25.0)
        self.log_weight += discount * -0.5 * (squared + np.log(variance))
        self.log_weight -= self.log_weight.max()
        if self._seen % 5 == 0:
            self._forget(1e-7)

    @property
    def weights(self) -> Values:
        """Weight of each hypothesis, float64 (h,), adding up to one."""
        weights = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weights / weights.sum(), dtype=np.float64)

    def belief(self, counted: Values | None = None, hours: Values | None = None) -> Belief:
        """Return the state of charge from everything seen so far, now or at other moments.

        Args:
            counted, hours: charge out (share) and hours since the beginning at each moment; None is now. Earlier
                moments are looked back at: what was seen since counts for them too.

        """
        if counted is None or hours is None:
            counted, hours = np.array([self.counted]), np.array([self.hours])
        return mixture(self._shares(counted, hours), self.weights, self._spread)

    def moments(self) -> tuple[float, float]:
        """Return mean and one standard deviation of the state of charge now: those of :meth:`belief`, sooner."""
        shares = self._shares(np.array([self.counted]), np.array([self.hours]))
        mean, deviation = _moments(shares, self.weights, self._spread)
        return float(mean[0]), float(deviation[0])

    @property
    def _spread(self) -> float:
        """Standard deviation of the share around each hypothesis."""
        return float(np.hypot(0.5 * self._spacing, self._settings.unmodelled * np.sqrt(max(self._thermal, 1.0))))

    def _forget(self, least: float) -> None:
        """Drop hypotheses of no weight."""
        keep = self.log_weight > np.log(least)
        if keep.sum() < 0.8 * len(keep):
            self.start, self.factor, self.drain = self.start[keep], self.factor[keep], self.drain[keep]
            self._table = self._table[keep]
            self.log_weight = self.log_weight[keep]
            self._state, self._covariance = self._state[keep], self._covariance[keep]

    def _curve(self, share: Values) -> tuple[Values, Values]:
        """Return V and slope (V for the whole charge) of each hypothesis at its own share, by its own table."""
        volts, slope = np.empty(len(share)), np.empty(len(share))
        for number, table in enumerate(self._tables):
            own = self._table == number
            volts[own] = table.volts_at(share[own])
            slope[own] = table.slope_at(share[own])
        beyond = np.maximum(share - 1.02, 0.0) - np.maximum(-0.02 - share, 0.0)
        return volts + 20.0 * beyond, slope


def thermal_factor(celsius: float | None) -> float:
    """Return resistance over that at 25 degC; one where the temperature is not known.

    A cell's resistance follows ``exp(k (1/T - 1/298.15 K))``: 2.5 times as high at 0 degC.
    """
    if celsius is None:
        return 1.0
    kelvin = float(np.clip(celsius, -40.0, 80.0)) + 273.15
    return float(np.exp(_RESISTANCE_KELVIN * (1.0 / kelvin - 1.0 / 298.15)))


def even_shares(step: float) -> tuple[Values, Values]:
    """Return shares from empty to full, about ``step`` apart, and a weight for each, all alike."""
    shares = np.linspace(0.0, 1.0, round(1.0 / step) + 1)
    return shares, np.full(len(shares), 1.0 / len(shares))


def _factors(deviation: float) -> tuple[Values, Values]:
    """Return three factors around one and their weights, which have the moments of a normal distribution."""
    return 1.0 + deviation * np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0]), np.array([1.0, 4.0, 1.0]) / 6.0


def _first_state(trust: TableTrust, settings: FilterSettings) -> tuple[Values, Values]:
    mean = np.zeros(_STATES)
    mean[:_POLES] = _RESISTANCE_V
    mean[_HYSTERESIS] = trust.hysteresis_v
    deviation = np.zeros(_STATES)
    deviation[:_POLES] = _RESISTANCE_SD_V
    deviation[_BENT] = _BENT_SD_V
    deviation[_HYSTERESIS] = trust.hysteresis_sd_v
    deviation[_LEFT] = trust.hysteresis_sd_v
    deviation[_ALONG] = trust.along
    deviation[_DRIFT] = settings.drift_v
    covariance = np.diag(deviation**2)
    apart = (_WAVES[:, None] - _WAVES[None, :]) / _WAVE_LENGTH
    waves = trust.level_v**2 + trust.wave_v**2 * np.exp(-0.5 * apart**2)
    covariance[_FIRST_WAVE:, _FIRST_WAVE:] = waves
    return mean, covariance


def _waves(share: Values, covariance: Values) -> Values:
    """Return how much each wave counts at each share: straight between neighbours.

    Scaled so that the table is as unsure between two waves as at one: else a flat curve would favour some charges.
    """
    step = _WAVES[1] - _WAVES[0]
    plain = np.maximum(0.0, 1.0 - np.abs(np.clip(share, 0.0, 1.0)[:, None] - _WAVES) / step)
    here = ((plain @ covariance) * plain).sum(axis=1)
    return np.asarray(plain * np.sqrt(covariance[0, 0] / np.maximum(here, 1e-300))[:, None])


def _delay_matrices() -> tuple[Values, Values, Values, Values]:
    """Return how a block's seconds, and those before, affect the delayed current at its end and its mean."""
    to_end, to_mean = np.zeros((BINS, _POLES)), np.zeros((BINS, _POLES))
    keeps_end, keeps_mean = np.zeros(_POLES), np.zeros(_POLES)
    to_mean[:, 0] = 1.0 / BINS
    second = _BLOCK_S / BINS
    for pole, delay in enumerate(_DELAYS_S[1:], start=1):
        keep = np.exp(-second / delay)
        ages = keep ** np.arange(BINS)[::-1]
        to_end[:, pole] = (1.0 - keep) * ages
        keeps_end[pole] = keep**BINS
        within = delay / second * (1.0 - keep)  # mean of a decay over one second
        keeps_mean[pole] = within * (1.0 - keep**BINS) / (1.0 - keep) / BINS
        for number in range(BINS):
            later = BINS - 1 - number
            decayed = (1.0 - keep) * within * (1.0 - keep**later) / (1.0 - keep)
            to_mean[number, pole] = (1.0 - within + decayed) / BINS
    return to_end, to_mean, keeps_end, keeps_mean


_TO_END, _TO_MEAN, _KEEPS_END, _KEEPS_MEAN = _delay_matrices()


def _delay(delayed: Values, c_rates: Values) -> tuple[Values, Values]:
    """Return the delayed currents at a block's end, and their means over it."""
    end = (c_rates[:, None] * _TO_END).sum(axis=0) + _KEEPS_END * delayed
    mean = (c_rates[:, None] * _TO_MEAN).sum(axis=0) + _KEEPS_MEAN * delayed
    return end, mean


_AXIS_LOW, _AXIS_STEP, _AXIS_COUNT = -0.10, 0.0025, 481
_TIMES = 1024


def mixture(shares: Values, weights: Values, spread: float) -> Belief:
    """Return the sum of normal distributions of deviation ``spread`` around ``shares`` (times, hypotheses).

    Some times after others: each time's density is many times as long as its hypotheses.
    """
    parts = [_mixture(shares[at : at + _TIMES], weights, spread) for at in range(0, len(shares), _TIMES)]
    if len(parts) == 1:
        return parts[0]
    columns = ([part.mean, part.deviation, part.low, part.high] for part in parts)
    return Belief(*(np.concatenate(column) for column in zip(*columns, strict=True)))


def _mixture(shares: Values, weights: Values, spread: float) -> Belief:
    mean, deviation = _moments(shares, weights, spread)
    place = np.clip((shares - _AXIS_LOW) / _AXIS_STEP, 0, _AXIS_COUNT - 1.001)
    left = place.astype(np.int64)
    rows = np.arange(len(shares))[:, None] * _AXIS_COUNT
    part = (place - left) * weights
    flat = np.bincount((rows + left).ravel(), (weights - part).ravel(), len(shares) * _AXIS_COUNT)
    flat += np.bincount((rows + left + 1).ravel(), part.ravel(), len(shares) * _AXIS_COUNT)
    density = flat.reshape(len(shares), _AXIS_COUNT)
    reach = max(1, round(4 * spread / _AXIS_STEP))
    hump = np.exp(-0.5 * (np.arange(-reach, reach + 1) * _AXIS_STEP / max(spread, 1e-9)) ** 2)
    hump /= hump.sum()
    padded = np.pad(density, ((0, 0), (reach, reach)))
    smooth = sum(hump[k] * padded[:, k : k + _AXIS_COUNT] for k in range(2 * reach + 1))
    cumulated = np.cumsum(smooth, axis=1)
    cumulated /= cumulated[:, -1:]
    low, high = (_crossing(cumulated, level) for level in (0.05, 0.95))
    return Belief(mean, deviation, low, high)


def _moments(shares: Values, weights: Values, spread: float) -> tuple[Values, Values]:
    """Return mean and one standard deviation of a mixture at each time."""
    mean = shares @ weights
    return mean, np.sqrt(np.maximum((shares**2) @ weights - mean**2, 0.0) + spread**2)


def _crossing(cumulated: Values, level: float) -> Values:
    """Return the share at which each row of ``cumulated`` passes ``level``."""
    right = np.argmax(cumulated >= level, axis=1)
    left = np.maximum(right - 1, 0)
    row = np.arange(len(cumulated))
    low, high = cumulated[row, left], cumulated[row, right]
    part = np.where(high > low, (level - low) / np.maximum(high - low, 1e-12), 0.0)
    return np.asarray(_AXIS_LOW + _AXIS_STEP * (left + part + 0.5), dtype=np.float64)
