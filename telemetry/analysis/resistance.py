"""Resistance of the pack and of each cell from load steps: volt on ampere over about one second.

What is called resistance here is the mean over the first second after a step of load: the ohmic part, contacts and
joints included, and the fast part of the cells' own. It is more than the 1 kHz figure of a cell's sheet and less than
that of a 10 s or 30 s pulse; compare it only with figures of the same length at like temperature and charge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from telemetry.analysis.cell_lag import (
    SLOWEST_S,
    WIDTH_S,
    Flags,
    Pairs,
    Track,
    changes,
    find_lag,
    fit_each,
    fit_robustly,
    pairs_of,
)
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Times, Values

LEAST_CURRENT_A = 5.0
LEAST_CURRENT_C = 0.1
"""Rows count while more than 5 A are drawn; of small packs, more than a tenth of their capacity an hour."""
LEAST_STEPS = 6
SENSOR_GAIN = 0.01
"""What a current sensor's gain may be off, one standard deviation; nothing in the data tells it. Common practice."""
_NO_LAG = 0.15
"""Of slow rows a lag shorter than this share of the time between them cannot be told from none."""
_UNRESOLVED = 0.1
"""What a lag within the time between rows may cost: nobody knows the current meanwhile. Measured, see docs."""
_RESOLVED_S = 0.3
_RATIO_ROWS = 4
_SLOW_S = 10.0
_FIRST = np.array([1.0, 0.0, 0.0, 0.0])


@dataclass(frozen=True, slots=True)
class CellResistance:
    """One cell.

    Attributes:
        number: as in ``cell_01_voltage``.
        mohm, uncertainty_mohm: over the first second, and one standard deviation, the sensor's gain left out.
        ratio, ratio_uncertainty: to the middle cell of the pack; free of the current sensor's errors.
        lag_s: how late this cell is read.
    """

    number: int
    mohm: float
    uncertainty_mohm: float
    ratio: float
    ratio_uncertainty: float
    lag_s: float


@dataclass(frozen=True)
class Resistance:
    """What the load steps of a session tell.

    Attributes:
        pack_mohm, pack_uncertainty_mohm: at the pack's terminals, and one standard deviation: the scatter over the
            session together with the usual gain error of a current sensor.
        temperature_c: mean over the steps, of the pack's sensors; None where none is known.
        soc_reported_pct: mean over the steps, by the BMS; None where it reports none.
        at_s: mean time of the steps, s from the session's origin, to look up any other figure at.
        cell_lag_s: how much later than the current the cells are read, the middle one.
        cells: by number; empty where cells tell nothing.
        steps: load steps used.
        unknown: by key (``pack``, ``cells``), why a figure is missing.
    """

    pack_mohm: float | None = None
    pack_uncertainty_mohm: float | None = None
    temperature_c: float | None = None
    soc_reported_pct: float | None = None
    at_s: float | None = None
    cell_lag_s: float | None = None
    cells: tuple[CellResistance, ...] = ()
    steps: int = 0
    unknown: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Told:
    """A resistance with what it rests on: ohm, one standard deviation, lag, steps and the times of the rows used."""

    ohm: float
    uncertainty: float
    lag_s: float
    steps: int
    seconds: Values


@dataclass(frozen=True, eq=False)
class _Cells:
    lag_s: float
    rows: tuple[CellResistance, ...]
    mean: _Told


def find_resistance(series: SessionSeries, pack: Pack) -> Resistance:
    """Return the resistance of pack and cells as far as the session's load steps tell it.

    Needs ``pack_current``, and ``pack_voltage`` or cell voltages, each at least every 2.5 s, and at least six steps
    of load. A robust linear fit of the change of voltage over about one second by the change of current.
    """
    measured = series.get("pack_current")
    if measured is None or len(measured.t) < 8:
        reason = "no pack current is recorded, and resistance is volt per ampere"
        return Resistance(unknown={"pack": reason, "cells": reason})
    current = Track(measured, series.origin)
    least_a = least_current(pack)
    voltage = series.get("pack_voltage")
    whole = (
        "no pack voltage is recorded" if voltage is None else _of_voltage(voltage, series.origin, current, least_a)
    )
    if series.cells is None:
        cells: _Cells | str = "no cell voltages are recorded"
    else:
        cells = _of_cells(series.cells, series.origin, current, least_a, voltage, whole)
    unknown = {key: found for key, found in (("pack", whole), ("cells", cells)) if isinstance(found, str)}
    basis = whole if isinstance(whole, _Told) else cells.mean if isinstance(cells, _Cells) else None
    if basis is None:
        return Resistance(unknown=unknown)
    return Resistance(
        pack_mohm=1000 * whole.ohm if isinstance(whole, _Told) else None,
        pack_uncertainty_mohm=1000 * float(np.hypot(whole.uncertainty, SENSOR_GAIN * whole.ohm))
        if isinstance(whole, _Told)
        else None,
        temperature_c=_mean_at(series, basis.seconds, "pack_temperature_"),
        soc_reported_pct=_mean_at(series, basis.seconds, "soc_reported"),
        at_s=float(basis.seconds.mean()),
        cell_lag_s=cells.lag_s if isinstance(cells, _Cells) else None,
        cells=cells.rows if isinstance(cells, _Cells) else (),
        steps=basis.steps,
        unknown=unknown,
    )


def least_current(pack: Pack) -> float:
    """Return the current, A, above which a row counts."""
    return min(LEAST_CURRENT_A, LEAST_CURRENT_C * pack.capacity_ah)


def _of_voltage(voltage: Series, origin: int, current: Track, least_a: float) -> _Told | str:
    """Return the resistance that ``voltage`` tells, or why none."""
    pairs = pairs_of(voltage.t, origin)
    if pairs is None or current.interval_s > SLOWEST_S:
        return f"rows of voltage or current are further apart than {SLOWEST_S:g} s, or too few"
    change = voltage.values[pairs.after] - voltage.values[pairs.before]
    lag = find_lag(pairs, change, current, least_a)
    if lag is None:
        if _rises_with_load(pairs, change, current, least_a):
            return "voltage rises with load: the current counts the other way (setting sign_of_current of its source)"
        return f"too few load steps of more than {least_a:.1f} A"
    apart = max(current.interval_s, pairs.interval_s)
    resolved = apart < _RESOLVED_S or abs(lag) < _NO_LAG * apart
    lag = 0.0 if apart >= _RESOLVED_S and abs(lag) < _NO_LAG * apart else lag
    features, known = changes(pairs, current, lag)
    use = known & _loaded(pairs, current, lag, least_a)
    steps = count_steps(features[use, 0], pairs.last_s[use], least_a)
    if steps < LEAST_STEPS or use.sum() < 30:
        return f"only {steps} load steps of more than {least_a:.1f} A, and {LEAST_STEPS} are needed"
    chosen = features[use, : 2 if resolved else 3]
    fit = fit_robustly(chosen, change[use, None])
    ohm = -float(fit.factors[0, 0])
    if ohm <= 0:
        return "no fall of voltage goes with the steps of load"
    uncertainty = float(fit.uncertainty(_FIRST[: chosen.shape[1]])[0])
    if not resolved:
        uncertainty = float(np.hypot(uncertainty, _UNRESOLVED * ohm))
    return _Told(ohm, uncertainty, lag, steps, pairs.where(use & (np.abs(features[:, 0]) > least_a)).last_s)


def _rises_with_load(pairs: Pairs, change: Values, current: Track, least_a: float) -> bool:
    moved = current.at(pairs.last_s) - current.at(pairs.first_s)
    large = np.abs(moved) > least_a
    return bool(large.sum() >= LEAST_STEPS and float(moved[large] @ change[large]) > 0)


def _loaded(pairs: Pairs, current: Track, lag_s: float, least_a: float) -> Flags:
    """Tell which pairs end under load; around no current cells resist more, and that is another figure."""
    loaded: Flags = current.at(pairs.last_s - lag_s) > least_a
    return loaded


def count_steps(change: Values, seconds: Values, least_a: float) -> int:
    """Return how many separate steps larger than ``least_a`` there are: runs of one sign, at least 1 s apart."""
    large = np.flatnonzero(np.abs(change) > least_a)
    if not len(large):
        return 0
    anew = (np.diff(np.sign(change[large])) != 0) | (np.diff(seconds[large]) > 1.5)
    return 1 + int(anew.sum())


def _of_cells(
    cells: CellSeries, origin: int, current: Track, least_a: float, voltage: Series | None, whole: _Told | str
) -> _Cells | str:
    """Return the cells' resistances, or why none.

    How the cells compare with one another comes from their own mean, which was read as late as they. The level comes
    from the pack's resistance less that of its wiring where the pack's voltage is known, else from the current.
    """
    known = len(cells.t)
    cells = cells.whole_rows()
    if len(cells.t) < 0.5 * known:
        return "the cells are seldom all known at once"
    t, volts = cells.t, cells.voltages
    middle = Series(t, volts.mean(axis=1))
    mean = _of_voltage(middle, origin, current, least_a)
    if isinstance(mean, str):
        return mean
    if voltage is not None and isinstance(whole, _Told):
        mean = _by_pack(mean, middle, len(cells.numbers), whole, voltage, current, origin, least_a)
    ratios, uncertainties, lags = _ratios(t, volts, middle, origin, current, mean.lag_s, least_a)
    centre = float(np.median(ratios))
    rows = []
    for number, ratio, off, lag in zip(cells.numbers, ratios, uncertainties, lags, strict=True):
        uncertainty = float(np.hypot(mean.ohm * off, mean.uncertainty * ratio))
        rows.append(
            CellResistance(
                number, 1e3 * mean.ohm * ratio, 1e3 * uncertainty, ratio / centre, off / centre, mean.lag_s + lag
            )
        )
    return _Cells(mean.lag_s, tuple(rows), mean)


def _by_pack(
    mean: _Told,
    middle: Series,
    count: int,
    whole: _Told,
    voltage: Series,
    current: Track,
    origin: int,
    least_a: float,
) -> _Told:
    """Return the mean cell's resistance from the pack's, and its lag from the pack's voltage.

    Wiring shows in the means of ten seconds: pack less cells on current. Over so long no lag matters. And the pack's
    voltage answers to load just as the cells' does, polarisation included, which the current does not.
    """
    pairs = pairs_of(middle.t, origin)
    turned = Track(Series(voltage.t, -voltage.values / count), origin)
    if pairs is None:
        return mean
    change = middle.values[pairs.after] - middle.values[pairs.before]
    lag = find_lag(pairs, change, turned, least_a * mean.ohm)
    seconds = (middle.t - origin) / MICROSECONDS
    when = seconds - (mean.lag_s if lag is None else lag)
    known = turned.known(when, when) & current.known(when, when)
    if not known.any():
        return mean
    lost = count * middle.values + count * turned.at(when)
    wiring = slow_resistance(seconds[known], lost[known], current.at(when)[known])
    if wiring is None:
        return mean
    ohm = (whole.ohm - wiring[0]) / count
    uncertainty = float(np.hypot(whole.uncertainty, wiring[1])) / count
    if not 0.3 < ohm / mean.ohm < 3:  # the two do not belong to the same cells
        return mean
    return _Told(ohm, uncertainty, mean.lag_s if lag is None else lag + whole.lag_s, mean.steps, mean.seconds)


def slow_resistance(seconds: Values, volts: Values, amperes: Values) -> tuple[float, float] | None:
    """Return what ``volts`` grow by for each ampere in the means of ten seconds, ohm, and one standard deviation.

    None where there are fewer than 24 such means.
    """
    block = ((seconds - seconds[0]) // _SLOW_S).astype(np.int64)
    count = np.bincount(block)
    held: Flags = np.asarray(count > 0)
    volt, ampere = (np.bincount(block, weights=each)[held] / count[held] for each in (volts, amperes))
    if int(np.count_nonzero(held)) < 24:
        return None
    fit = fit_robustly(np.stack([ampere, np.ones_like(ampere)], axis=1), volt[:, None])
    return float(fit.factors[0, 0]), float(fit.uncertainty(np.array([1.0, 0.0]))[0])


def _ratios(
    t: Times, volts: Values, middle: Series, origin: int, current: Track, lag_s: float, least_a: float
) -> tuple[Values, Values, Values]:
    """Return each cell's share of the mean cell's change, its uncertainty, and how much later than that it is read.

    The mean cell stands for the current at the very moment of reading, so what happened between rows cancels. Of
    slow rows, four are spanned: one cell read some tenths of a second after another sees other changes between rows.
    """
    fast = middle.interval_s < _RESOLVED_S
    pairs = pairs_of(t, origin, WIDTH_S if fast else _RATIO_ROWS * middle.interval_s)
    assert pairs is not None
    features, known = changes(pairs, Track(middle, origin), 0.0)
    features = features[:, : 4 if fast else 3]
    use = known & _loaded(pairs, current, lag_s, least_a)
    before, after = pairs.before[use], pairs.after[use]
    fit = fit_each(features[use], (cell[after] - cell[before] for cell in volts.T))
    return fit.factors[0], fit.uncertainty(_FIRST[: features.shape[1]]), -fit.factors[2] / fit.factors[0]


def _mean_at(series: SessionSeries, seconds: Values, prefix: str) -> float | None:
    """Return the mean over ``seconds`` of the signals whose names begin with ``prefix``, or None without any."""
    found = [
        float(np.interp(seconds, (each.t - series.origin) / MICROSECONDS, each.values).mean())
        for name, each in series.signals.items()
        if name.startswith(prefix)
    ]
    return float(np.mean(found)) if found else None
