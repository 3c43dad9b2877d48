"""Internal resistance of the pack and of each cell from load steps.

**What it is.** The drop of voltage 1 s (and 10 s) after a step of load from rest to 0.3 of the capacity an hour, over
that step: joints and contacts included, at the temperature and state of charge of the session's load steps. A step to
more current gives less, since kinetics bend (:meth:`LoadResponse.ohm_at`), and colder cells bend more. Compare only
figures of the same time at like temperature and charge. Pulse tests such as those of IEC 61960 and IEC 62660-1 (from
memory) differ in current; the 1 kHz figure of a cell's sheet is less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from telemetry.analysis.cell_lag import WIDTH_S, Pairs, Track, changes, fit_each, pairs_of
from telemetry.analysis.instruments import USUAL_CURRENT_GAIN, USUAL_VOLTAGE_GAIN
from telemetry.analysis.load_response import FAST_S, JACKKNIFE, LoadResponse, fit_response
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values
from telemetry.model.figures import HIDDEN, figure_field

_LEAST_ROWS_OF_CURRENT = 8  # below that nothing is looked for; ours
LEAST_CURRENT_A = 5.0
LEAST_CURRENT_C = 0.1
"""A load step is more than 5 A; of small packs, more than a tenth of their capacity an hour."""
USUAL_GAIN = math.hypot(USUAL_CURRENT_GAIN, USUAL_VOLTAGE_GAIN)
"""Gain of volt over ampere, one standard deviation, where nobody states or checked the sensors."""
_RESOLVED_S = 0.3
_RATIO_ROWS = 4
_UNLIKE = 0.007
"""What cells differ in under load that is no resistance, as a share of it: they are at different places on their
curves. One standard deviation; chosen on drawn packs, see docs."""
_FIRST = np.array([1.0, 0.0, 0.0, 0.0])


@dataclass(frozen=True, slots=True)
class CellResistance:
    """One cell.

    Attributes:
        cell: its number, as in ``cell_01_voltage``.
        mohm, uncertainty_mohm: over 1 s, and one standard deviation, the sensor's gain left out.
        ratio, ratio_uncertainty: to the middle cell of the pack; free of the current sensor's errors.
        ratio_scatter: the part of it that counts among load steps of this session, not against a step from rest.
        lag_s: how late this cell is read.
    """

    digits: ClassVar = 5

    cell: int
    mohm: float
    uncertainty_mohm: float
    ratio: float = field(metadata={"digits": 4})
    ratio_uncertainty: float
    ratio_scatter: float = field(metadata=HIDDEN)
    lag_s: float = field(metadata=HIDDEN)


@dataclass(frozen=True)
class Resistance:
    """What the load steps of a session tell.

    Attributes:
        pack_mohm, pack_uncertainty_mohm: over 1 s at the pack's terminals, and one standard deviation: the scatter
            over the session together with the gain of the sensors.
        temperature_c: mean over the steps, of the pack's sensors; None where none is known.
        soc_pct: state of charge at the steps, by the BMS; :func:`figures_of` puts the estimated one in its place.
        at_s: mean time of the steps, s from the session's origin, to look up any other figure at.
        cell_lag_s: how much later than the current the cells are read, the middle one.
        cells: by number; empty where cells tell nothing.
        steps: load steps used.
        unknown: by key (``pack_mohm``, ``cells``), why a figure is missing.
        pack_scatter_mohm: the part of ``pack_uncertainty_mohm`` that is not the sensors' gain: what counts between
            two sessions with the same sensors.
        pack_10s_mohm, pack_10s_uncertainty_mohm, pack_10s_scatter_mohm: the same over 10 s.
        reference_a: the current that ``pack_mohm`` is stated for.
        response: of the pack's voltage, for other currents; None where ``pack_mohm`` is.
    """

    digits: ClassVar = 4

    pack_mohm: float | None = figure_field("internal resistance of the pack")
    pack_uncertainty_mohm: float | None = figure_field("uncertainty of the internal resistance")
    temperature_c: float | None = figure_field("temperature for the internal resistance", 2)
    soc_pct: float | None = figure_field("state of charge for the internal resistance", 2)
    at_s: float | None = field(default=None, metadata=HIDDEN)
    cell_lag_s: float | None = figure_field("delay of the cell readings", 3)
    cells: tuple[CellResistance, ...] = figure_field("internal resistance of the cells", default=())
    steps: int | None = figure_field("load steps", default=0)
    unknown: Mapping[str, str] = field(default_factory=dict)
    pack_scatter_mohm: float | None = figure_field("scatter of the internal resistance")
    pack_10s_mohm: float | None = figure_field("internal resistance of the pack, 10 s")
    pack_10s_uncertainty_mohm: float | None = figure_field("uncertainty of the internal resistance, 10 s")
    pack_10s_scatter_mohm: float | None = figure_field("scatter of the internal resistance, 10 s")
    reference_a: float | None = figure_field("current that the internal resistance is stated for", 2)
    response: LoadResponse | None = field(default=None, metadata=HIDDEN)

    def ohm_at(self, amperes: float, seconds: float = FAST_S) -> Range | None:
        """Return the pack's resistance to another current, ohm, over 1 s or 10 s, 90 % interval; None: not known.

        Kinetics bend: to more current the chord is less.
        """
        fast, slow = self.pack_mohm, self.pack_10s_mohm
        mohm, spread = (
            (fast, self.pack_uncertainty_mohm) if seconds == FAST_S else (slow, self.pack_10s_uncertainty_mohm)
        )
        if self.response is None or not mohm or spread is None:
            return None
        bent = self.response.ohm_at(amperes) / float(self.response.ohm[0]) / 1000.0
        return Range.around(mohm * bent, Z90 * spread * bent).at_least(0.0)


def find_resistance(series: SessionSeries, pack: Pack, gain: float = USUAL_GAIN) -> Resistance:
    """Return the resistance of pack and cells as far as the session's load steps tell it.

    Needs ``pack_current``, and ``pack_voltage`` or cell voltages, each at least every 2.5 s, and at least six steps
    of load.

    Args:
        series: the session; ``pack``: what its owner states.
        gain: of the voltage's sensor over the current's, one standard deviation; nothing in the data tells it.
    """
    measured = series.get("pack_current")
    if measured is None or len(measured.t) < _LEAST_ROWS_OF_CURRENT:
        reason = "no pack current is recorded, and resistance is volt per ampere"
        return Resistance(unknown={"pack_mohm": reason, "cells": reason})
    voltage = series.get("pack_voltage")
    whole = "no pack voltage is recorded" if voltage is None else _respond(voltage, measured, series.origin, pack)
    cells: tuple[LoadResponse, tuple[CellResistance, ...]] | str = "no cell voltages are recorded"
    if series.cells is not None:
        cells = _of_cells(series.cells, series.origin, measured, pack)
    unknown = {key: found for key, found in (("pack_mohm", whole), ("cells", cells)) if isinstance(found, str)}
    basis = whole if isinstance(whole, LoadResponse) else cells[0] if not isinstance(cells, str) else None
    if basis is None:
        return Resistance(unknown=unknown)
    found = Resistance(
        temperature_c=_mean_at(series, basis.seconds, "pack_temperature_"),
        soc_pct=_mean_at(series, basis.seconds, "soc_reported"),
        at_s=float(basis.seconds.mean()),
        steps=basis.steps,
        unknown=unknown,
    )
    if not isinstance(cells, str):
        found = replace(found, cell_lag_s=cells[0].lag_s, cells=cells[1])
    return _with_pack(found, whole, gain) if isinstance(whole, LoadResponse) else found


def _with_pack(found: Resistance, whole: LoadResponse, gain: float) -> Resistance:
    mohm, scatter = 1000 * whole.ohm, 1000 * whole.scatter
    fast, slow = np.hypot(scatter, gain * mohm).tolist()
    return replace(
        found,
        pack_mohm=float(mohm[0]),
        pack_uncertainty_mohm=fast,
        pack_scatter_mohm=float(scatter[0]),
        pack_10s_mohm=float(mohm[1]),
        pack_10s_uncertainty_mohm=slow,
        pack_10s_scatter_mohm=float(scatter[1]),
        reference_a=whole.reference_a,
        response=whole,
    )


def _respond(voltage: Series, measured: Series, origin: int, pack: Pack) -> LoadResponse | str:
    return fit_response(voltage, measured, origin, pack.capacity_ah, least_current(pack))


def least_current(pack: Pack) -> float:
    """Return the current, A, above which a row counts."""
    return min(LEAST_CURRENT_A, LEAST_CURRENT_C * pack.capacity_ah)


def _loaded(pairs: Pairs, current: Track, lag_s: float, least_a: float) -> Flags:
    """Tell which pairs end under load; around no current cells resist more, and that is another figure."""
    loaded: Flags = current.at(pairs.last_s - lag_s) > least_a
    return loaded


def _of_cells(
    cells: CellSeries, origin: int, measured: Series, pack: Pack
) -> tuple[LoadResponse, tuple[CellResistance, ...]] | str:
    """Return how the mean cell responds and the cells' resistances, or why none.

    How the cells compare with one another comes from their own mean, which was read as late as they.
    """
    known = len(cells.t)
    cells = cells.whole_rows()
    if len(cells.t) < 0.5 * known:
        return "the cells are seldom all known at once"
    t, volts = cells.t, cells.voltages
    middle = Series(t, volts.mean(axis=1))
    mean = _respond(middle, measured, origin, pack)
    if isinstance(mean, str):
        return mean
    current = Track(measured, origin)
    told = _ratios(t, volts, middle, origin, current, mean.lag_s, least_current(pack))
    if told is None:
        return "no load was drawn while the cells were read"
    ratios, uncertainties, lags = told
    centre, ohm, scatter = float(np.median(ratios)), float(mean.ohm[0]), float(mean.scatter[0])
    # a joint's part is the same from rest; of what bends, load steps show less than a step from rest
    bent = 1.0 - mean.share_under_load(measured.values[measured.values > least_current(pack)])
    scatters = np.hypot(JACKKNIFE * uncertainties, _UNLIKE * ratios)
    offs = np.hypot(scatters, bent * (ratios - centre))
    rows = []
    for number, ratio, off, among, lag in zip(cells.numbers, ratios, offs, scatters, lags, strict=True):
        uncertainty = 1e3 * float(np.hypot(ohm * off, scatter * ratio))
        against_middle = (ratio / centre, off / centre, among / centre)
        rows.append(CellResistance(number, 1e3 * ohm * ratio, uncertainty, *against_middle, mean.lag_s + lag))
    return mean, tuple(rows)


def _ratios(
    t: Times, volts: Values, middle: Series, origin: int, current: Track, lag_s: float, least_a: float
) -> tuple[Values, Values, Values] | None:
    """Return each cell's share of the mean cell's change, its uncertainty, and how much later than that it is read.

    None where no row is under load, as in a charge.

    The mean cell stands for the current at the very moment of reading, so what happened between rows cancels. Of
    slow rows, four are spanned: one cell read some tenths of a second after another sees other changes between rows.
    """
    fast = middle.interval_s < _RESOLVED_S
    pairs = pairs_of(t, origin, WIDTH_S if fast else _RATIO_ROWS * middle.interval_s)
    assert pairs is not None
    features, known = changes(pairs, Track(middle, origin), 0.0)
    features = features[:, : 4 if fast else 3]
    use = known & _loaded(pairs, current, lag_s, least_a)
    if not use.any():
        return None
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
