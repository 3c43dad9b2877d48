"""Resistance between the cells and the controller, and whether it wobbles, from the voltage and current of a drive.

The voltage is taken as a slowly bending line less a resistance times the current. A cell's own resistance is steady
from one reading to the next, so what the fit leaves is the meter's noise, the same at any current. The resistance of
a loose joint wobbles within a second or less: there what is left grows with the current. How much is told by one
likelihood: what is left, freed of all that is slower than a second, is distributed as Student's t with five degrees
of freedom and the variance

    meter² + (wobble * resistance * current)² + (unsure * resistance * change of the current)²

where ``unsure`` stands for two instruments that do not read at the same instant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, Indices
from telemetry.analysis.fault_isolation.response import hat_functions, robust_fit, thinned
from telemetry.analysis.series import Series

_LEAST_RANGE_A = 2.0  # of current (98 % less 2 %) over which a resistance can be told; ours
_KNOT_S = 8.0
_LEAST_ROWS = 200
_ROWS_LEARNT = 4000
FAST_S = 0.075
"""Readings as near as this are taken for readings at every row."""
_QUICK_ROWS = 21
_WOBBLES: Floats = np.concatenate([[0.0], np.geomspace(0.004, 0.6, 22)])
_UNSURE = 0.1
_DEVIATION = 1.15
"""Standard deviation of normal noise over the scale of the Student's t that fits it best."""
_NEWS = 0.1
"""Share of the readings that are news: neighbours are alike. By what separates joints from sound paths best."""
SOUND_WOBBLE, LEAST_WOBBLE = 0.008, 0.012
"""Wobble of a sound path over its resistance (half-normal), and the least of a loose joint: of both simulators' sound
drives 98 % lie below 0.018, and no joint below 0.02."""
_LEAST_LOADED = 40
_LOADED, _CALM, _CALM_A = 0.2, 0.25, 0.03
_NO_NOISE = 2e-4


@dataclass(frozen=True, slots=True)
class PowerPath:
    """What lies between the cells and where the voltage was measured.

    Attributes:
        resistance: ohm, of what follows the current at once.
        noise: standard deviation of the voltage's quick noise with little current, V.
        wobble: likeliest deviation of the resistance, share of it.
        joint: log odds that the resistance wobbles as a loose joint's does; 0 where that cannot be told.
        sag: the resistance times the highest usual current, as a share of the voltage.
        usual_voltage: median of the voltage while the supply was there, V.
        top_current: highest usual current (99.5 %), A.
    """

    resistance: float
    noise: float
    wobble: float
    joint: float
    sag: float
    usual_voltage: float
    top_current: float


def power_path(
    t: Floats, voltage: Floats, current: Floats, usable: Flags, interval_s: float = STEP_S
) -> PowerPath | None:
    """Learn the resistance of the way to the controller.

    Args:
        t: seconds (n,).
        voltage: V (n,).
        current: A (n,), at the same instants.
        usable: rows in which both were read and the supply was not switched off.
        interval_s: between readings of the faster of the two, where they were not read together.

    Returns:
        None where the current varies too little to tell.
    """
    if (rows := _rows_that_tell(current, usable)) is None:
        return None
    steps = np.diff(current, prepend=current[0])
    features = np.stack([-current, steps, np.roll(steps, 1), np.roll(steps, -1)], axis=1)
    fitted, _, _ = robust_fit(features[rows], hat_functions(t, _KNOT_S)[rows], voltage[rows], 0.3, 6)
    resistance = max(float(fitted[0]), 1e-5)
    usual, top = float(np.median(voltage[rows])), float(np.quantile(current[rows], 0.995))
    noise, wobble, joint = _wobble(voltage, current, usable, resistance, usual)
    if interval_s > FAST_S:  # pulses of the current that one of them missed look like a wobble
        joint = 0.0
    return PowerPath(resistance, noise, wobble, joint, resistance * top / usual, usual, top)


def _rows_that_tell(current: Floats, usable: Flags) -> Indices | None:
    """Return rows from which a resistance can be told, or None where the current varies too little."""
    rows = thinned(np.flatnonzero(usable), _ROWS_LEARNT)
    varies = len(rows) >= _LEAST_ROWS and np.ptp(np.quantile(current[rows], [0.02, 0.98])) >= _LEAST_RANGE_A
    return rows if varies else None


def share_lost(pack: Floats, supply: Floats, current: Floats, usable: Flags) -> float:
    """Return the share of the pack's voltage that is lost on the way to the controller at the highest usual current.

    Meters are out by a constant, so it is the slope of the difference over the current; NaN where that is not known.

    Args:
        pack, supply: V (n,), NaN where unknown.
        current: A (n,).
        usable: rows in which the supply was there.
    """
    if (rows := _rows_that_tell(current, usable & ~np.isnan(pack - supply))) is None:
        return float("nan")
    fitted, _, _ = robust_fit(current[rows, None], np.ones((len(rows), 1)), (pack - supply)[rows], 0.0)
    return float(fitted[0] * np.quantile(current[rows], 0.995) / np.median(pack[rows]))


def _wobble(
    voltage: Floats, current: Floats, usable: Flags, resistance: float, usual: float
) -> tuple[float, float, float]:
    """Return the meter's noise, the likeliest wobble, and the log odds of a joint."""
    at_rest = np.where(usable, voltage + resistance * current, 0.0)
    window = np.ones(_QUICK_ROWS)
    near = np.convolve(usable.astype(np.float64), window, "same")
    quick = at_rest - np.convolve(at_rest, window, "same") / np.maximum(near, 1.0)
    drawn = np.abs(current)
    top = max(float(np.quantile(drawn[usable], 0.98)), 1.0)
    change = np.abs(np.convolve(current, [1, 1, 0, 0, 0, 0, 0, -1, -1], "same")) / 2
    calm = usable & (near > 0.8 * near.max()) & (change < np.maximum(_CALM * drawn, _CALM_A * top))
    idle, loaded = (
        calm & (drawn <= np.quantile(drawn[calm], 0.2)) if calm.any() else calm,
        calm & (drawn > _LOADED * top),
    )
    noise = 1e-3 * usual
    if idle.sum() > _LEAST_LOADED // 2:
        noise = max(1.48 * float(np.median(np.abs(quick[idle]))), _NO_NOISE * usual)
    if loaded.sum() <= _LEAST_LOADED:
        return noise, 0.0, 0.0
    left, through, moved = quick[loaded], resistance * drawn[loaded], resistance * change[loaded]
    fits = np.empty(len(_WOBBLES))
    for place, wobble in enumerate(_WOBBLES):
        spread = np.sqrt(noise**2 + (wobble * through) ** 2 + (_UNSURE * moved) ** 2)
        fits[place] = np.sum(-np.log(spread) - 3 * np.log1p((left / spread) ** 2 / 5))
    return noise, _DEVIATION * float(_WOBBLES[int(np.argmax(fits))]), _joint(_NEWS * fits)


def _joint(fits: Floats) -> float:
    """Return the log odds of a joint's wobbles (log-uniform) against a sound path's (half-normal)."""
    width = np.gradient(_WOBBLES)
    sound = np.exp(-0.5 * (_WOBBLES / SOUND_WOBBLE) ** 2) * width
    loose = np.where(_WOBBLES >= LEAST_WOBBLE, width / np.maximum(_WOBBLES, LEAST_WOBBLE), 0.0)
    likely = np.exp(fits - fits.max())
    return float(np.log(likely @ loose / loose.sum() + 1e-30) - np.log(likely @ sound / sound.sum() + 1e-30))


def rows_read(one: Series, other: Series, start: int, rows: int, late_rows: int) -> tuple[Flags, float]:
    """Return the rows at which two signals were read, and the seconds between readings of what is interpolated there.

    Args:
        one, other: the two signals.
        start: of the time axis, microseconds in the clock of the signals.
        rows: of the time axis.
        late_rows: by how many rows ``other`` was read late, as has been taken out.
    """
    first, second = _instants(one, start, rows, 0), _instants(other, start, rows, late_rows)
    both = first & second
    if both.sum() > 0.5 * min(first.sum(), second.sum()):
        return both, STEP_S
    return (first, other.interval_s) if one.interval_s > other.interval_s else (second, one.interval_s)


def _instants(series: Series, start: int, rows: int, late_rows: int) -> Flags:
    read: Flags = np.ones(rows, dtype=np.bool_)
    if series.interval_s > FAST_S:
        at = np.round((series.t - start) / 1e6 / STEP_S).astype(np.intp) - late_rows
        read[:] = False
        read[at[(at >= 0) & (at < rows)]] = True
    return read
