"""The worst that each part of a machine saw in a session: pure arithmetic on arrays, no limits.

A value counts once it has lasted as long as the alarm on it waits, so that one misread row is no worst value. Between
slow rows the shortest stretch that can be told is one interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from telemetry.analysis.gaps import GapRule
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.session_power import Flow
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values
from telemetry.model.signals import pack_temperature_number

LOW_VOLTAGE_S, HIGH_VOLTAGE_S, TEMPERATURE_S = 2.0, 1.0, 10.0
"""How long a voltage or a temperature must last to count: the raise delays of the limits on them."""
PEAK_S, PULL_S = 0.2, 1.0
"""The same for a peak of current, and for a pull that the pack's resistance over one second belongs to."""


@dataclass(frozen=True, slots=True)
class Worst:
    """One worst value.

    Attributes:
        value: in the signal's unit.
        at_s: when it was reached, s from the session's origin.
        start: the first value of the signal, same unit; tells the rise of a temperature.
        name: of the signal or cell; empty where it goes without saying.
    """

    value: float
    at_s: float
    start: float = math.nan
    name: str = ""


def highest(signal: Series | None, origin: int, held_s: float, name: str = "") -> Worst | None:
    """Return the highest value that lasted ``held_s``; None without a signal.

    Args:
        signal: any signal.
        origin: zero of the time told, microseconds.
        held_s: how long the value must last, s, >= 0.
        name: kept in the result.
    """
    if signal is None:
        return None
    held = _held(signal.t, signal.values, held_s)
    place = int(np.argmax(held))
    return Worst(float(held[place]), (int(signal.t[place]) - origin) / MICROSECONDS, float(signal.values[0]), name)


def lowest(signal: Series | None, origin: int, held_s: float, name: str = "") -> Worst | None:
    """Return the lowest value that lasted ``held_s``; None without a signal. Arguments as of :func:`highest`."""
    if signal is None:
        return None
    found = highest(Series(signal.t, -signal.values), origin, held_s, name)
    return None if found is None else Worst(-found.value, found.at_s, -found.start, name)


def _held(t: Times, values: Values, held_s: float) -> Values:
    """Return for each row the least value since the last row ``held_s`` before it; -inf across a gap.

    A session too short to hold any value for so long gives its values as they are.
    """
    first = np.searchsorted(t, t - round(held_s * MICROSECONDS), "right") - 1
    gaps = np.cumsum(~GapRule().take(t))
    whole = (first >= 0) & (gaps[np.maximum(first, 0)] == gaps)
    if not whole.any():
        return values
    count = np.arange(len(t)) - np.maximum(first, 0) + 1
    found = np.full(len(t), -np.inf)
    least, width = values, 1  # ``least``: over the last ``width`` rows
    longest = int(count[whole].max())
    while True:
        use = np.flatnonzero(whole & (count >= width) & (count < 2 * width))
        found[use] = np.minimum(least[use], least[use - count[use] + width])
        if 2 * width > longest:
            return found
        least = np.concatenate([least[:width], np.minimum(least[width:], least[:-width])])
        width *= 2


def steady_current(
    flow: Flow, origin: int, window_s: float, used: Flags | None = None, *, into: bool = False
) -> Worst | None:
    """Return the highest steady current that heats a part as much as the real one did, A, >= 0; None for no rows.

    The root of the mean square over a window that fades with ``window_s``, from cold; a gap neither heats nor cools.
    The same arithmetic as :mod:`telemetry.analysis.averaging`.

    Args:
        flow: the current; rows of the other direction count as none.
        origin: zero of the time told, microseconds.
        window_s: the part's thermal time constant.
        used: bool (n,), the intervals (each leading to its row) whose current takes this way; None: all.
        into: judge the current into the pack.
    """
    if not len(flow):
        return None
    one_way = np.maximum(-flow.values if into else flow.values, 0.0)
    before = np.concatenate([one_way[:1], one_way[:-1]])
    square = (before * before + before * one_way + one_way * one_way) / 3.0
    if used is not None:
        square = np.where(used, square, 0.0)
    seconds = np.where(flow.bridged, np.diff(flow.t, prepend=flow.t[:1]), 0) / MICROSECONDS
    kept = np.exp(-seconds / window_s)
    steps = zip(kept.tolist(), ((1.0 - kept) * square).tolist(), strict=True)
    squares = list(accumulate(steps, lambda mean, step: step[0] * mean + step[1], initial=0.0))[1:]
    place = int(np.argmax(squares))
    return Worst(math.sqrt(squares[place]), (int(flow.t[place]) - origin) / MICROSECONDS)


def peak_current(flow: Flow, origin: int, held_s: float, *, into: bool = False) -> Worst | None:
    """Return the highest current that lasted ``held_s``, A, >= 0; None for no rows."""
    if not len(flow):
        return None
    found = highest(Series(flow.t, -flow.values if into else flow.values), origin, held_s)
    return None if found is None else Worst(max(found.value, 0.0), found.at_s)


def loaded_s(flow: Flow, least_a: float) -> float:
    """Return for how long more than ``least_a`` flowed out of the pack, s, gaps left out."""
    seconds = np.where(flow.bridged, np.diff(flow.t, prepend=flow.t[:1]), 0) / MICROSECONDS
    return float(seconds[flow.values > least_a].sum())


def under_load(signal: Series | None, flow: Flow | None, least_a: float) -> Series | None:
    """Return the rows of ``signal`` at which more than ``least_a`` flows out of the pack; None for none.

    With the key off, or the supply lost, a controller's voltage says nothing of the load.
    """
    if signal is None or flow is None:
        return None
    loaded = loaded_at(signal.t, flow, least_a)
    return Series(signal.t[loaded], signal.values[loaded]) if loaded.any() else None


def loaded_at(t: Times, flow: Flow, least_a: float, around_s: float = 0.0) -> Flags:
    """Tell at which of ``t`` more than ``least_a`` flows, and for ``around_s`` before and after, without a gap.

    Between a row of load and one without, nobody knows when the pack was switched off: neither counts.
    """
    around = round(around_s * MICROSECONDS)
    before = np.searchsorted(flow.t, t - around, side="right") - 1
    after = np.searchsorted(flow.t, t + around, side="left")
    known = (before >= 0) & (after < len(flow.t))
    before, after = np.maximum(before, 0), np.minimum(after, len(flow.t) - 1)
    idle, gaps = (np.concatenate([[0], np.cumsum(each)]) for each in (flow.values <= least_a, ~flow.bridged))
    loaded: Flags = known & (idle[after + 1] == idle[before]) & (gaps[after + 1] == gaps[before + 1])
    return loaded


def cells_seen(series: SessionSeries) -> tuple[Worst | None, Worst | None]:
    """Return the lowest and the highest cell; ``name`` is its number where single cells are recorded."""
    cells, origin = series.cells, series.origin
    if cells is None:
        return (
            lowest(series.get("cell_min_voltage"), origin, LOW_VOLTAGE_S),
            highest(series.get("cell_max_voltage"), origin, HIGH_VOLTAGE_S),
        )
    known = ~np.isnan(cells.voltages)
    each = [
        (Series(cells.t[rows], voltages[rows]), str(number))
        for number, rows, voltages in zip(cells.numbers, known.T, cells.voltages.T, strict=True)
        if rows.any()
    ]
    low = (lowest(one, origin, LOW_VOLTAGE_S, number) for one, number in each)
    high = (highest(one, origin, HIGH_VOLTAGE_S, number) for one, number in each)
    return (
        min((found for found in low if found is not None), key=lambda found: found.value),
        max((found for found in high if found is not None), key=lambda found: found.value),
    )


def hottest_pack(series: SessionSeries) -> Worst | None:
    """Return the hottest pack sensor, °C, ``name`` its number; None where none is recorded."""
    found = [
        worst
        for name, signal in pack_temperatures(series).items()
        if (worst := highest(signal, series.origin, TEMPERATURE_S, name)) is not None
    ]
    return max(found, key=lambda each: each.value, default=None)


def pack_temperatures(series: SessionSeries) -> Mapping[str, Series]:
    """Return the pack's temperature sensors by number."""
    numbered = ((pack_temperature_number(name), signal) for name, signal in series.signals.items())
    return {str(number): signal for number, signal in numbered if number is not None}
