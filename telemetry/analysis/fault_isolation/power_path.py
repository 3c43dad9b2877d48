"""Resistance between the cells and the controller, and how it wobbles: from voltage and current of the same drive.

The voltage is taken as a slowly bending line less a resistance times the current, a slow part of it (polarisation)
beside. A cell's own resistance is steady from one reading to the next, so what the fit leaves is the meter's noise,
the same at any current. A loose or corroded connection wobbles with vibration: there what is left grows with the
current. Both are learnt from the drive; offset and gain of the voltmeter drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Flags, Floats
from telemetry.analysis.fault_isolation.response import hat_functions, lagged, robust_fit, thinned

WOBBLING, LEAST_WOBBLE = 2.0, 0.04
"""Growth of the voltage's noise with the current, and share of the resistance, from which the path is at fault."""
_KNOT_S = 8.0
_SLOW_S = 5.0
_LEAST_ROWS = 200
_ROWS_LEARNT = 4000


@dataclass(frozen=True, slots=True)
class PowerPath:
    """What lies between the cells and where the voltage was measured.

    Attributes:
        resistance: ohm, of what follows the current at once.
        slow_resistance: ohm, of what follows within some seconds.
        noise_idle, noise_loaded: robust standard deviation of what the fit leaves at little and at much current, V.
        wobble: deviation of the resistance itself as a share of it; 0 where nothing beyond the meter's noise.
        wobble_ohm: the same in ohm.
        growth: ``noise_loaded`` over ``noise_idle``.
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
    sag: float
    usual_voltage: float
    top_current: float

    @property
    def wobbles(self) -> bool:
        """Whether the resistance wobbles: the path itself is at fault."""
        return self.growth > WOBBLING and self.wobble > LEAST_WOBBLE


def power_path(t: Floats, voltage: Floats, current: Floats, usable: Flags) -> PowerPath | None:
    """Learn the resistance of the way to the controller.

    Args:
        t: seconds (n,).
        voltage: V (n,).
        current: A (n,), at the same instants.
        usable: rows in which both are known and the supply was not switched off.

    Returns:
        None where the current varies too little to tell.
    """
    rows = thinned(np.flatnonzero(usable), _ROWS_LEARNT)
    if len(rows) < _LEAST_ROWS or np.ptp(np.quantile(current[rows], [0.02, 0.98])) < 2.0:
        return None
    steps = np.diff(current, prepend=current[0])
    features = np.stack([-current, -lagged(current, _SLOW_S), steps, np.roll(steps, 1), np.roll(steps, -1)], axis=1)[
        rows
    ]
    fitted, rest, _ = robust_fit(features, hat_functions(t, _KNOT_S)[rows], voltage[rows], 0.3, 6)
    drawn = np.abs(current[rows])
    little, much = drawn <= np.quantile(drawn, 0.3), drawn >= np.quantile(drawn, 0.8)
    idle, loaded = _deviation(rest[little]), _deviation(rest[much])
    load = float(np.median(drawn[much]))
    resistance, slow = max(float(fitted[0]), 1e-5), max(float(fitted[1]), 0.0)
    wobble = max(loaded**2 - idle**2, 0.0) ** 0.5 / max(load, 1.0)
    usual, top = float(np.median(voltage[rows])), float(np.quantile(current[rows], 0.995))
    return PowerPath(
        resistance, slow, idle, loaded, wobble / resistance, wobble, loaded / idle,
        (resistance + slow) * top / usual, usual, top,
    )  # fmt: skip


def _deviation(values: Floats) -> float:
    return 1.48 * float(np.median(np.abs(values - np.median(values)))) + 1e-4
