"""Anchors for the capacity: moments of a session at which the state of charge is known without counting.

* a full charge, as the estimate of charge finds it;
* a rest of a quarter of an hour or more at a voltage off the plateau.

A pack that looks empty under load is no anchor: on drawn packs of iron phosphate 6 % of the charge was left on
average at 25 °C, and 20 % at 0 °C, when the voltage with its usual drop added had fallen to the foot of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.charge_blocks import Blocks, cut_blocks
from telemetry.analysis.charge_forward import LONGEST_BRIDGED_S
from telemetry.analysis.current_offset import CurrentOffset
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.open_circuit import charge_uncertainty, open_circuit_tables, stated_table
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.state_of_charge import ChargeEstimate, cell_volts
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Values
from telemetry.model.time_text import length

_HARDLY_RESTED = 0.97
"""Share of charge from which a rest is no anchor: a full lithium cell falls for long (common practice)."""
_RESTING_C = 0.01
_LEAST_REST_BLOCKS = 90
_BEFORE, _AFTER = 3, 2
"""Blocks beside each that its current is averaged with: a minute, for a sensor's noise may be a hundredth of a small
pack's capacity an hour."""
_MOST_OF_A_REST = 0.04


@dataclass(frozen=True, slots=True)
class KnownCharge:
    """An anchor; shares 0 to 1, each uncertainty one standard deviation.

    Attributes:
        t: microseconds.
        counted_ah: charge out since the session's start.
        share: of charge.
        uncertainty: what differs from session to session.
        ground: in words: ``a full charge``, ``a rest of 40 min``.
        common: what is off alike in every session of the pack: the open-circuit table, the cells' imbalance.
    """

    t: int
    counted_ah: float
    share: float
    uncertainty: float
    ground: str
    common: float = 0.0


def known_charges(
    series: SessionSeries, pack: Pack, offset: CurrentOffset, estimate: ChargeEstimate
) -> list[KnownCharge]:
    """Return the anchors in time order; none where charge went uncounted, for then nothing can be joined."""
    current, volts = series.get("pack_current"), cell_volts(series, pack)
    if current is None or isinstance(volts, str) or not len(estimate.t):
        return []
    blocks = cut_blocks(
        (current.t, current.values - offset.value_a, GapRule().take(current.t)), (volts.t, volts.values)
    )
    if blocks.missing_s.max() > LONGEST_BRIDGED_S:
        return []
    counted = np.cumsum(blocks.charge_ah)
    found = [
        KnownCharge(
            a.t,
            float(np.interp(a.t, blocks.t, counted)),
            a.pct / 100.0,
            0.0,
            "a full charge",
            a.uncertainty_pct / 100.0,
        )
        for a in estimate.anchors
    ]
    found += _rests(blocks, counted, pack)
    return sorted(found, key=lambda each: each.t)


def _runs(state: np.ndarray) -> list[tuple[int, int]]:
    """Return first and last but one place of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], state.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _rests(blocks: Blocks, counted: Values, pack: Pack) -> list[KnownCharge]:
    """Return the ends of rests of a quarter of an hour or more whose voltage lies off the plateau."""
    beside = np.pad(blocks.current.mean(axis=1) / pack.capacity_ah, (_BEFORE, _AFTER), mode="edge")
    rate = np.convolve(beside, np.full(_BEFORE + 1 + _AFTER, 1 / (_BEFORE + 1 + _AFTER)), "valid")
    own = stated_table(pack.open_circuit)
    table = own or open_circuit_tables(pack.chemistry)[0]
    found = []
    for begin, end in _runs(np.abs(rate) < _RESTING_C):
        last = blocks.volts[max(begin, end - 6) : end]
        if end - begin < _LEAST_REST_BLOCKS or np.isnan(last).all():
            continue
        share = float(table.share_at(float(np.nanmean(last))))
        minutes = (end - begin) / 6
        unsettled = 0.004 * 30.0 / minutes / max(float(table.slope_at(share)), 0.05)
        common = float(charge_uncertainty(pack.chemistry, share, own))
        if np.hypot(common, unsettled) <= _MOST_OF_A_REST and share < _HARDLY_RESTED:
            ground = f"a rest of {length(60 * minutes)}"
            found.append(
                KnownCharge(int(blocks.t[end - 1]), float(counted[end - 1]), share, unsettled, ground, common)
            )
    return found
