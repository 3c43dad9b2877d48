"""Minutes, kilometres and hectares left, as ranges.

Twice: at the rate of the last minutes, and at the rate of the whole session. The energy left in the pack is the state
of charge with its bounds, less what remains at the cut-off, times capacity and the mean voltage from there to empty.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from telemetry.analysis.phases import Phases
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.session_power import Flow, SessionPower
from telemetry.model.batch import MICROSECONDS

LAST_MINUTES = 10.0
_LEAST_S = 60.0
_PIECE_S = 60.0
_FEWEST_PIECES = 4
RESERVE_PCT = Range(0.0, 2.0, 5.0)
"""Charge left at the cut-off, in per cent: the lowest cell ends the drive before the mean one is empty;
common practice."""


@dataclass(frozen=True)
class Pace:
    """The rate over some time.

    Attributes:
        power_w: net power out of the pack, W, with 90 % bounds on its mean from how minutes differed.
        minutes_left, km_left, ha_left: at that power; None where unknown.
    """

    power_w: Range
    minutes_left: Range | None = None
    km_left: Range | None = None
    ha_left: Range | None = None


@dataclass(frozen=True)
class Outlook:
    """What is left. None where unknown, with the reason in ``unknown``.

    Attributes:
        energy_left_wh: Wh until the cut-off.
        lately: at the rate of the last ten minutes of use.
        whole: at the rate of the whole session's use.
        unknown: why a figure is None.
    """

    energy_left_wh: Range | None = None
    lately: Pace | None = None
    whole: Pace | None = None
    unknown: Mapping[str, str] = field(default_factory=dict)


def energy_left_wh(
    soc_pct: Range, capacity_ah: Range | float, voltage_v: Range | float, reserve_pct: Range = RESERVE_PCT
) -> Range:
    """Return the energy until the cut-off, Wh: (state of charge less reserve) / 100 x capacity x voltage.

    Args:
        soc_pct: state of charge with its bounds, %.
        capacity_ah: usable capacity, Ah.
        voltage_v: mean voltage under load from that state of charge down, V.
        reserve_pct: what remains at the cut-off, %.
    """
    usable = Range(soc_pct.low - reserve_pct.high, soc_pct.mid - reserve_pct.mid, soc_pct.high - reserve_pct.low)
    return usable.at_least(0.0).times(capacity_ah).times(voltage_v).times(0.01)


def minutes_left(energy_wh: Range, power_w: Range) -> Range | None:
    """Return how long ``energy_wh`` lasts at ``power_w``, min; None where the power may be zero."""
    return None if power_w.low <= 0.0 else energy_wh.over(power_w).times(60.0)


def find_outlook(
    power: SessionPower,
    phases: Phases,
    soc_pct: Range | None = None,
    capacity_ah: Range | float | None = None,
    voltage_v: Range | float | None = None,
    km_per_wh: Range | None = None,
    ha_per_wh: Range | None = None,
    last_minutes: float = LAST_MINUTES,
) -> Outlook:
    """Return the outlook at the end of the session.

    Args:
        power: the session's power.
        phases: its phases; only drive and work count as use.
        soc_pct: state of charge at the end, %; 0 to 100.
        capacity_ah: usable capacity, Ah.
        voltage_v: mean voltage under load from that state of charge down, V; see
            :func:`telemetry.analysis.charge_voltage.voltage_over_charge`.
        km_per_wh, ha_per_wh: what a Wh gave in the session.
        last_minutes: how many minutes of use count for ``lately``.
    """
    unknown: dict[str, str] = {}
    uses = [(phase.start, phase.end) for phase in phases.of("drive", "work")]
    if power.power is None or not uses:
        why = "no power is known" if power.power is None else "the session contains no driving or work"
        return Outlook(unknown=dict.fromkeys(("energy_left_wh", "lately", "whole"), why))
    left = None
    if soc_pct is None or capacity_ah is None or voltage_v is None:
        lacking = (
            "the state of charge" if soc_pct is None else "the capacity" if capacity_ah is None else "the voltage"
        )
        unknown["energy_left_wh"] = f"{lacking} is not known"
    else:
        left = energy_left_wh(soc_pct, capacity_ah, voltage_v)
    paces: list[Pace | None] = []
    for name, spans in (("lately", _last(uses, last_minutes)), ("whole", uses)):
        mean = mean_power_w(power.power, spans)
        if mean is None:
            unknown[name] = "the machine was in use for less than a minute"
            paces.append(None)
        else:
            paces.append(_pace(mean, left, km_per_wh, ha_per_wh))
    return Outlook(left, paces[0], paces[1], unknown)


def mean_power_w(flow: Flow, spans: list[tuple[int, int]]) -> Range | None:
    """Return the mean net power within ``spans`` (microseconds), W, with 90 % bounds; None below a minute.

    The bounds come from the scatter of pieces of a minute, taken as independent: 1.645 standard deviations of their
    mean, and a tenth of the power either way where there are fewer than four.
    """
    pieces, seconds = [], []
    for start, end in spans:
        count = max(1, round((end - start) / MICROSECONDS / _PIECE_S))
        edges = np.linspace(start, end, count + 1).astype(np.int64).tolist()
        for first, last in pairwise(edges):
            known = flow.known_s(first, last)
            if known > 0.0:
                out, into = flow.between(first, last)
                pieces.append((out - into) / known * 3600.0)
                seconds.append(known)
    return bounded_mean(pieces, seconds) if float(np.sum(seconds)) >= _LEAST_S else None


def bounded_mean(pieces: Sequence[float], weights: Sequence[float]) -> Range:
    """Return the weighted mean of ``pieces`` (at least one) with 90 % bounds, as :func:`mean_power_w` makes them."""
    mean = float(np.average(pieces, weights=weights))
    if len(pieces) < _FEWEST_PIECES:
        return Range.around(mean, 0.1 * abs(mean))
    variance = float(np.average((np.array(pieces) - mean) ** 2, weights=weights)) / (len(pieces) - 1)
    return Range.around(mean, Z90 * float(np.sqrt(variance)))


def _pace(power_w: Range, left: Range | None, km_per_wh: Range | None, ha_per_wh: Range | None) -> Pace:
    if left is None:
        return Pace(power_w)
    km = left.times(km_per_wh) if km_per_wh is not None else None
    ha = left.times(ha_per_wh) if ha_per_wh is not None else None
    return Pace(power_w, minutes_left(left, power_w), km, ha)


def _last(uses: list[tuple[int, int]], minutes: float) -> list[tuple[int, int]]:
    """Return the last ``minutes`` of use."""
    wanted = round(minutes * 60 * MICROSECONDS)
    found: list[tuple[int, int]] = []
    for start, end in reversed(uses):
        if wanted <= 0:
            break
        found.append((max(start, end - wanted), end))
        wanted -= end - found[-1][0]
    return found[::-1]
