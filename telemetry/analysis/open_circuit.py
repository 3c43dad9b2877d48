"""Rested voltage of one cell by its state of charge: tables with their sources, and how far each may be trusted.

A table belongs to a chemistry, never to one's own cells: makers' recipes, ageing and temperature move it. So each
chemistry has several, with a weight each, and a bound on what is left between the best of them and a real cell:

* a smooth error in volts (level and slow wave), and
* an error along the charge axis, which counts where the curve is steep.

On the plateau of lithium iron phosphate sources differ by 33 mV at half charge, where 1 % of charge is worth 1 mV.
The bounds there are what keeps a figure from looking surer than it is.

Sources:
    * measured, iron phosphate 1.2 Ah at C/32 and nickel cobalt types at C/20 and C/32: S. Sunil, K. R. Pattipati,
      B. Balasingam, "Piecewise Linear Approximation of Battery Open-Circuit Voltage Characteristics Using Dynamic
      Programming", IEEE Transactions on Instrumentation and Measurement (2025), tables of its public repository.
    * models: PyBaMM 26.10.1.1, half-cell potentials of the parameter sets Prada2013, Chen2020, Mohtat2020,
      Ecker2015 and NCA_Kim2011 between their own cut-offs, by its electrode state-of-health solver.
    * lead-acid: Battery Council International, 12 V block at 26.7 degC, by a secondary copy; a sixth for one cell.
    * lithium titanate: from memory.
    * hysteresis of iron phosphate 5 to 25 mV between charge and discharge: trade articles; common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.errors import InputError

_FINE = 1000


@dataclass(frozen=True, eq=False)
class OpenCircuitTable:
    """Rested voltage of one cell by its share of charge.

    Attributes:
        name: what to call it to the user.
        source: where it comes from.
        share: float64 (n,), 0 (empty) to 1 (full), ascending.
        volts: float64 (n,), V, never falling.
        weight: how likely it is to come nearest to a cell of which nothing but the chemistry is known; relative.

    """

    name: str
    source: str
    share: Values
    volts: Values
    weight: float = 1.0

    def volts_at(self, share: Values | float) -> Values:
        """Return V at each share of charge (0 to 1), straight between points; its end slopes go on for 5 %."""
        return np.asarray(np.interp(share, self._share_beyond, self._volts_beyond), dtype=np.float64)

    def share_at(self, volts: Values | float) -> Values:
        """Return the share of charge at rested ``volts``; beyond the table's ends by their slopes, -0.05 to 1.05.

        Where several shares have the same voltage, that in their middle: see :meth:`slope_at` before trusting it.
        """
        steps = 1e-9 * np.arange(len(self._volts_beyond))
        low = np.interp(volts, self._volts_beyond - steps[::-1], self._share_beyond)
        high = np.interp(volts, self._volts_beyond + steps, self._share_beyond)
        return np.asarray(0.5 * (low + high), dtype=np.float64)

    def slope_at(self, share: Values | float) -> Values:
        """Return dV/dshare, V for the whole charge, over 2 % to both sides."""
        middle = np.clip(share, -0.02, 1.02)
        return (self.volts_at(middle + 0.02) - self.volts_at(middle - 0.02)) / 0.04

    @cached_property
    def _share_beyond(self) -> Values:
        return np.concatenate([[-0.05], self.share, [1.05]])

    @cached_property
    def _volts_beyond(self) -> Values:
        first = (self.volts[1] - self.volts[0]) / (self.share[1] - self.share[0])
        last = (self.volts[-1] - self.volts[-2]) / (self.share[-1] - self.share[-2])
        return np.concatenate([[self.volts[0] - 0.05 * first], self.volts, [self.volts[-1] + 0.05 * last]])


@dataclass(frozen=True, slots=True)
class TableTrust:
    """What a chemistry's tables leave open against a real cell; one standard deviation each.

    Attributes:
        level_v: the whole curve higher or lower, V.
        wave_v: slow waves of it, some 15 % of charge long, V.
        along: the curve moved along the axis of charge, share.
        hysteresis_v: usual distance of the charge (or discharge) branch from the middle, V; about as uncertain.
        steep_v: slope (V for the whole charge) below which voltage tells nothing by itself.

    """

    level_v: float
    wave_v: float
    along: float
    hysteresis_v: float
    steep_v: float


def owner_table(points: Sequence[tuple[float, float]], name: str = "the owner's table") -> OpenCircuitTable:
    """Return a table of ``(percent, volts a cell)`` points in any order.

    Raises:
        InputError: fewer than two points, a percentage outside 0 to 100 or twice, or a voltage that falls.

    """
    ordered = sorted(points)
    share = np.array([percent / 100.0 for percent, _ in ordered], dtype=np.float64)
    volts = np.array([volt for _, volt in ordered], dtype=np.float64)
    if len(ordered) < 2 or share[0] < 0.0 or share[-1] > 1.0 or np.any(np.diff(share) <= 0.0):
        raise InputError(f"{name}: give two or more points of percent (0 to 100, each once) and volts a cell")
    if np.any(np.diff(volts) < 0.0):
        place = int(np.argmax(np.diff(volts) < 0.0))
        raise InputError(
            f"{name}: voltage falls from {volts[place]:g} V at {100 * share[place]:g} % to {volts[place + 1]:g} V "
            f"at {100 * share[place + 1]:g} %; a rested voltage only rises with charge"
        )
    return OpenCircuitTable(name, "given by the owner", share, volts)


def open_circuit_tables(chemistry: str) -> tuple[OpenCircuitTable, ...]:
    """Return the tables of a chemistry as the machine file names it, the one to use alone first; KeyError else."""
    return _tables()[chemistry]


def table_trust(chemistry: str) -> TableTrust:
    """Return how far a chemistry's tables may be trusted; KeyError for a chemistry that is none."""
    return _TRUST[chemistry]


def voltage_uncertainty(chemistry: str, share: Values | float) -> Values:
    """Return one standard deviation of a rested cell's voltage against the first table, V, by share of charge."""
    tables, trust = open_circuit_tables(chemistry), table_trust(chemistry)
    weights = np.array([table.weight for table in tables])
    volts = np.stack([table.volts_at(share) for table in tables])
    spread = np.tensordot(weights / weights.sum(), (volts - volts[0]) ** 2, axes=1)
    along = trust.along * tables[0].slope_at(share)
    return np.asarray(
        np.sqrt(spread + trust.level_v**2 + trust.wave_v**2 + along**2 + trust.hysteresis_v**2), dtype=np.float64
    )


def charge_uncertainty(chemistry: str, share: Values | float) -> Values:
    """Return one standard deviation of a share of charge read off a rested voltage, share (not %), at most 0.3."""
    slope = open_circuit_tables(chemistry)[0].slope_at(share)
    return np.asarray(np.minimum(voltage_uncertainty(chemistry, share) / np.maximum(slope, 1e-6), 0.3))


_TRUST = {
    "lfp": TableTrust(level_v=0.006, wave_v=0.004, along=0.015, hysteresis_v=0.005, steep_v=0.30),
    "nmc": TableTrust(level_v=0.006, wave_v=0.007, along=0.009, hysteresis_v=0.002, steep_v=0.30),
    "nca": TableTrust(level_v=0.008, wave_v=0.010, along=0.012, hysteresis_v=0.004, steep_v=0.30),
    "lto": TableTrust(level_v=0.015, wave_v=0.015, along=0.030, hysteresis_v=0.005, steep_v=0.30),
    "lead-flooded": TableTrust(level_v=0.010, wave_v=0.005, along=0.030, hysteresis_v=0.010, steep_v=0.05),
    "lead-agm": TableTrust(level_v=0.015, wave_v=0.008, along=0.040, hysteresis_v=0.010, steep_v=0.05),
}

_SUNIL = "measured, Sunil and others 2025"
_MODEL = "model, PyBaMM 26.10.1.1, parameter set "
_PERCENT = (0, 2, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95, 98, 100)


def _table(
    name: str, source: str, share: Sequence[float], volts: Sequence[float], weight: float = 1.0
) -> OpenCircuitTable:
    return OpenCircuitTable(name, source, np.array(share, dtype=np.float64), np.array(volts), weight)


def _model(name: str, volts: Sequence[float], weight: float = 1.0) -> OpenCircuitTable:
    return _table(name, _MODEL + name, [percent / 100.0 for percent in _PERCENT], volts, weight)


def _rounded(table: OpenCircuitTable, name: str, weight: float) -> OpenCircuitTable:
    """Return ``table`` with its corners rounded: a monotone cubic through the same points.

    F. N. Fritsch and R. E. Carlson, SIAM J. Numerical Analysis 17 (1980) 238-246, with the slopes of F. N. Fritsch
    and J. Butland, SIAM J. Scientific and Statistical Computing 5 (1984) 300-304; those at both ends are the next
    pieces'.
    """
    x, y = table.share, table.volts
    width, rise = np.diff(x), np.diff(y) / np.diff(x)
    near, far = 2.0 * width[1:] + width[:-1], width[1:] + 2.0 * width[:-1]
    inner = (near + far) / (near / rise[:-1] + far / rise[1:])
    slope = np.concatenate([[rise[0]], inner, [rise[-1]]])
    share = np.linspace(0.0, 1.0, _FINE + 1)
    piece = np.clip(np.searchsorted(x, share, side="right") - 1, 0, len(width) - 1)
    h = width[piece]
    u = (share - x[piece]) / h
    volts = (
        (1.0 + 2.0 * u) * (1.0 - u) ** 2 * y[piece]
        + u * (1.0 - u) ** 2 * h * slope[piece]
        + u**2 * (3.0 - 2.0 * u) * y[piece + 1]
        + u**2 * (u - 1.0) * h * slope[piece + 1]
    )
    return OpenCircuitTable(name, table.source, share, np.maximum.accumulate(volts), weight)


def _lifted(
    shape: OpenCircuitTable, level: OpenCircuitTable, step_moved: float, name: str, weight: float
) -> OpenCircuitTable:
    """Return ``shape``'s curve at ``level``'s height: its plateau step kept, its slow course taken from ``level``.

    A measured curve cut into few straight pieces lost the step between the two plateaus that every cell with a
    graphite negative electrode has; a model keeps the step but lies low. ``step_moved`` moves the step along the axis
    of charge by that share, fading to nothing at both ends.
    """
    share = np.linspace(0.0, 1.0, _FINE + 1)
    bent = share - step_moved * np.sin(np.pi * share)
    own, slow = shape.volts_at(bent), level.volts_at(share)
    window = np.exp(-0.5 * (np.linspace(-2.5, 2.5, 501)) ** 2)  # a Gaussian of 10 % of charge
    mirrored = np.pad(slow - own, 250, mode="edge")
    smooth = np.convolve(mirrored, window / window.sum(), mode="valid")
    # near the ends, where the curve is steep, the measured course stands alone
    inside = np.clip(np.minimum((share - 0.28) / 0.12, (0.97 - share) / 0.03), 0.0, 1.0)
    volts = np.maximum.accumulate(np.where(inside > 0, inside * (own + smooth) + (1 - inside) * slow, slow))
    return OpenCircuitTable(name, f"shape of {shape.name}, height of {level.name}", share, volts, weight)


@cache
def _tables() -> dict[str, tuple[OpenCircuitTable, ...]]:
    lead_flooded = _table(
        "lead-acid table",
        "Battery Council International, 12 V block at 26.7 degC, secondary copy",
        (0.0, 0.25, 0.5, 0.75, 1.0),
        [volts / 6 for volts in (11.89, 12.06, 12.24, 12.45, 12.65)],
    )
    lead_agm = _table(
        "lead-acid table, lifted for absorbed glass mat",
        "the flooded table plus 0.03 V a cell, from memory",
        lead_flooded.share.tolist(),
        (lead_flooded.volts + 0.03).tolist(),
    )
    lto = _table(
        "titanate table",
        "from memory",
        (0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1),
        (1.5, 1.9, 2.03, 2.10, 2.16, 2.20, 2.23, 2.26, 2.31, 2.36, 2.42, 2.50, 2.58, 2.75),
    )
    return {
        "lfp": _lfp_tables(),
        "nmc": _nmc_tables(),
        "nca": _nca_tables(),
        "lto": (lto,),
        "lead-flooded": (lead_flooded,),
        "lead-agm": (lead_agm,),
    }


def _lfp_tables() -> tuple[OpenCircuitTable, ...]:
    measured = _table(
        "iron phosphate cell measured at C/32",
        _SUNIL,
        (0, 0.0033, 0.0117, 0.0267, 0.0534, 0.0885, 0.2972, 0.9833, 0.9950, 1),
        (2.0102, 2.4177, 2.7405, 2.9299, 3.0872, 3.1942, 3.2772, 3.3511, 3.4180, 3.5981),
        weight=0.25,
    )
    model = _model(
        "Prada2013",
        (
            2.0,
            2.46,
            2.7853,
            2.9781,
            3.108,
            3.1685,
            3.1857,
            3.2058,
            3.2324,
            3.2525,
            3.2621,
            3.266,
            3.2678,
            3.2688,
            3.27,
            3.274,
            3.2926,
            3.3097,
            3.3132,
            3.3142,
            3.3164,
            3.3502,
            3.6,
        ),
        weight=0.05,
    )
    return (
        measured,
        _rounded(measured, "iron phosphate cell measured at C/32, corners rounded", 0.25),
        _lifted(model, measured, 0.0, "measured height, step of the model", 0.20),
        _lifted(model, measured, -0.08, "measured height, step 8 % lower", 0.20),
        model,
    )


def _nmc_tables() -> tuple[OpenCircuitTable, ...]:
    chen = _model(
        "Chen2020",
        (
            2.5,
            2.8625,
            3.1094,
            3.2959,
            3.4339,
            3.4852,
            3.5286,
            3.5814,
            3.629,
            3.667,
            3.7054,
            3.7509,
            3.7983,
            3.8406,
            3.8896,
            3.9479,
            3.9943,
            4.0421,
            4.0809,
            4.0967,
            4.1236,
            4.1645,
            4.2,
        ),
        weight=0.35,
    )
    measured = _table(
        "nickel cell of 4 Ah measured at C/20",
        _SUNIL,
        (0, 0.005, 0.0352, 0.0854, 0.1357, 0.2915, 0.4523, 0.8392, 0.9548, 1),
        (2.5, 2.808, 3.1179, 3.3182, 3.4193, 3.5826, 3.6941, 4.0664, 4.1121, 4.2),
        weight=0.35,
    )
    mohtat = _model(
        "Mohtat2020",
        (
            2.8,
            3.2852,
            3.462,
            3.5107,
            3.5395,
            3.5847,
            3.6202,
            3.6389,
            3.6538,
            3.671,
            3.6914,
            3.7155,
            3.7446,
            3.7968,
            3.8399,
            3.8797,
            3.9232,
            3.9705,
            4.0216,
            4.0767,
            4.136,
            4.1738,
            4.2,
        ),
        weight=0.02,
    )
    rounded = _rounded(measured, "nickel cell of 4 Ah measured at C/20, corners rounded", 0.2)
    return (chen, measured, rounded, mohtat)


def _nca_tables() -> tuple[OpenCircuitTable, ...]:
    kim = _model(
        "NCA_Kim2011",
        (
            2.7,
            3.1181,
            3.1939,
            3.2471,
            3.3099,
            3.3721,
            3.4331,
            3.4918,
            3.5472,
            3.5978,
            3.643,
            3.6846,
            3.7253,
            3.7678,
            3.8163,
            3.8742,
            3.93,
            3.9803,
            4.0295,
            4.0803,
            4.1354,
            4.1726,
            4.2,
        ),
        weight=0.6,
    )
    measured = _table(
        "nickel cell of 4.2 Ah measured at C/32",
        _SUNIL,
        (0, 0.0151, 0.0452, 0.0955, 0.1508, 0.2915, 0.4573, 0.8342, 0.9497, 1),
        (2.5061, 2.8981, 3.1461, 3.3231, 3.4218, 3.5737, 3.7017, 4.0637, 4.1009, 4.1932),
        weight=0.4,
    )
    return (kim, measured)
