"""Resistance between the cells and the controller, and how it wobbles: from voltage and current of the same drive.

The voltage is taken as a slowly bending line less a resistance times the current, a slow part of it (polarisation)
beside. A cell's own resistance is steady from one reading to the next, so what the fit leaves is the meter's noise,
the same at any current. A loose or corroded connection wobbles: there what is left grows with the current
(``wobble``). Both are learnt from the drive; offset and gain of the voltmeter drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.pedal_map import lagged
from telemetry.analysis.fault_isolation.reading_instants import FAST_S
from telemetry.analysis.fault_isolation.resistance_change import resistance_change
from telemetry.analysis.fault_isolation.response import hat_functions, robust_fit, thinned
from telemetry.analysis.fault_isolation.wobble import wobble

WOBBLING, LEAST_WOBBLE = 2.0, 0.04
"""Growth of the voltage's noise with the current, and share of the resistance, from which the path is at fault."""
_KNOT_S = 8.0
_SLOW_S = 5.0
_LEAST_ROWS = 200
_ROWS_LEARNT = 4000
_UNSURE_SHARE = 0.7
"""A slow reading misses changes of the current that the other instrument sees, about so much of them."""


@dataclass(frozen=True, slots=True)
class PowerPath:
    """What lies between the cells and where the voltage was measured.

    Attributes:
        resistance: ohm, of what follows the current at once.
        slow_resistance: ohm, of what follows within some seconds.
        noise_idle, noise_loaded: robust standard deviation of the voltage's quick noise without current and at a high
            usual one, V.
        wobble: deviation of the resistance itself as a share of it; 0 where nothing beyond the meter's noise.
        wobble_ohm: the same in ohm.
        growth: ``noise_loaded`` over ``noise_idle``.
        change: by which share the resistance changed during the drive (``resistance_change``), or NaN.
        sag: the resistances times the highest usual current, as a share of the voltage.
        usual_voltage: median of the voltage while the supply was there, V.
        top_current: highest usual current (99.5 %), A.
    """

    resistance: float
    slow_resistance: float
    noise_idle: float
    noise_loaded: float
    wobble: float
    wobble_ohm: float
    growth: float
    change: float
    sag: float
    usual_voltage: float
    top_current: float

    @property
    def wobbles(self) -> bool:
        """Whether the resistance wobbles: the path itself is at fault."""
        return self.growth > WOBBLING and self.wobble > LEAST_WOBBLE


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
    rows = thinned(np.flatnonzero(usable), _ROWS_LEARNT)
    if len(rows) < _LEAST_ROWS or np.ptp(np.quantile(current[rows], [0.02, 0.98])) < 2.0:
        return None
    steps = np.diff(current, prepend=current[0])
    features = np.stack([-current, -lagged(current, _SLOW_S), steps, np.roll(steps, 1), np.roll(steps, -1)], axis=1)
    fitted, _, _ = robust_fit(features[rows], hat_functions(t, _KNOT_S)[rows], voltage[rows], 0.3, 6)
    resistance, slow = max(float(fitted[0]), 1e-5), max(float(fitted[1]), 0.0)
    unsure = _UNSURE_SHARE * resistance if interval_s > FAST_S else 0.0
    found = wobble(voltage - features @ fitted[: features.shape[1]], current, usable, unsure)
    usual, top = float(np.median(voltage[rows])), float(np.quantile(current[rows], 0.995))
    return PowerPath(
        resistance, slow, found.noise, found.loaded, found.ohm / resistance, found.ohm, found.loaded / found.noise,
        resistance_change(voltage, current, usable, found.noise), (resistance + slow) * top / usual, usual, top,
    )  # fmt: skip
