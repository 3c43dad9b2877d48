"""What is coming: the power of the next ten minutes of use, and minutes, kilometres and hectares left, as ranges.

Twice: at the rate of the last ten minutes, and at the rate of the whole session. The energy left is that of
:mod:`telemetry.analysis.energy_left`. A rate is a forecast: the next ten minutes differ from the last ones by how ten
minutes differ from each other, and by the ground that is still to come.
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
from telemetry.model.figures import figure_field

LAST_MINUTES = 10.0
_LEAST_S = 60.0
_PIECE_S = 60.0
_AHEAD = 10
"""Pieces, of a minute each, that the forecast is for."""
_USUAL_SPREAD, _USUAL_PIECES = 0.35, 4.0
"""How much a minute's power usually differs from the mean, as a share of it, and how many minutes that counts for."""
_RELATED = 1.5
"""Minutes that follow each other are alike: so many times the variance of independent ones."""
_GROUND = 0.05
"""What no earlier minute tells, as a share of the power: another field, a wind; one standard deviation. Ours."""


@dataclass(frozen=True)
class Pace:
    """The rate over some time.

    Attributes:
        power_w: mean net power out of the pack over the next ten minutes of use, W, 90 % interval.
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

    energy_left_wh: Range | None = figure_field("energy left")
    lately: Pace | None = figure_field("time left at the last 10 minutes' rate")
    whole: Pace | None = figure_field("time left at the session's rate")
    unknown: Mapping[str, str] = field(default_factory=dict)


def minutes_left(energy_wh: Range, power_w: Range) -> Range | None:
    """Return how long ``energy_wh`` lasts at ``power_w``, min; None where the power may be zero."""
    return None if power_w.low <= 0.0 else energy_wh.over(power_w).times(60.0)


def find_outlook(
    power: SessionPower,
    phases: Phases,
    left: Range | None = None,
    km_per_wh: Range | None = None,
    ha_per_wh: Range | None = None,
) -> Outlook:
    """Return the outlook at the end of the session.

    Args:
        power: the session's power.
        phases: its phases; only drive and work count as use.
        left: energy left, Wh, 90 % interval.
        km_per_wh, ha_per_wh: what a Wh gave in the session.
    """
    unknown: dict[str, str] = {}
    uses = [(phase.start, phase.end) for phase in phases.of("drive", "work")]
    if power.power is None or not uses:
        why = "no power is known" if power.power is None else "the session contains no driving or work"
        return Outlook(unknown=dict.fromkeys(("energy_left_wh", "lately", "whole"), why))
    if left is None:
        unknown["energy_left_wh"] = "the state of charge is not known"
    paces: list[Pace | None] = []
    for name, spans in (("lately", _last(uses, LAST_MINUTES)), ("whole", uses)):
        mean = mean_power_w(power.power, spans)
        if mean is None:
            unknown[name] = "the machine was in use for less than a minute"
            paces.append(None)
        else:
            paces.append(_pace(mean, left, km_per_wh, ha_per_wh))
    return Outlook(left, paces[0], paces[1], unknown)


def mean_power_w(flow: Flow, spans: list[tuple[int, int]], minutes: int = _AHEAD) -> Range | None:
    """Return the net power of the ``minutes`` to come, W, by ``spans`` (microseconds) of use; None below a minute."""
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
    return forecast(pieces, seconds, minutes) if float(np.sum(seconds)) >= _LEAST_S else None


def forecast(pieces: Sequence[float], seconds: Sequence[float], ahead: int = _AHEAD) -> Range:
    """Return the mean of the minutes to come by ``pieces`` of about a minute (at least one), 90 % interval.

    The mean of n pieces and that of m to come differ by a variance of s² (1/n + 1/m), times what neighbours have in
    common; s² is their own scatter, joined with the usual one for the few that there are.
    """
    mean = float(np.average(pieces, weights=seconds))
    minutes = float(np.sum(seconds)) / _PIECE_S
    squares = minutes * float(np.average((np.array(pieces) - mean) ** 2, weights=seconds))
    scatter = (_USUAL_PIECES * (_USUAL_SPREAD * mean) ** 2 + squares) / (_USUAL_PIECES + max(minutes - 1.0, 0.0))
    variance = _RELATED * scatter * (1.0 / max(minutes, 1.0) + 1.0 / ahead) + (_GROUND * mean) ** 2
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
