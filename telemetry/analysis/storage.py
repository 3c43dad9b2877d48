"""A parked machine: standby current, how long the pack lasts at it, and winter storage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from telemetry.analysis.phases import Phase
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.machine.chemistry import Chemistry
from telemetry.model.figures import HIDDEN, figure_field
from telemetry.model.words import fixed

_NO_CURRENT_A = 1e-9  # a sensor that says nothing but its offset
SELF_DISCHARGE_PCT_MONTH: Mapping[str, Range] = {
    "lfp": Range(1.0, 2.0, 3.0),
    "nmc": Range(1.0, 2.0, 3.0),
    "nca": Range(1.0, 2.0, 3.0),
    "lmo": Range(1.0, 2.0, 4.0),
    "lto": Range(1.0, 2.0, 3.0),
    "sodium-ion": Range(1.0, 3.0, 5.0),
    "lead-flooded": Range(3.0, 8.0, 20.0),
    "lead-agm": Range(1.0, 2.0, 3.0),
}
"""Per cent of the capacity a month at room temperature; common practice, from memory."""
_DAYS_A_MONTH = 30.44
_LEAST_REST_S, _SETTLING_S = 300.0, 30.0
_WINTER_DAYS = 120.0
"""How long a machine stands over the winter."""
_TOO_FULL_PCT, _TOO_EMPTY_PCT = 70.0, 30.0
"""Lithium cells age least at about half; common practice, from memory."""


@dataclass(frozen=True)
class Storage:
    """Standby and storage. None where unknown, with the reason in ``unknown``.

    Attributes:
        standby_a: current while parked, A; ``standby_by``: seen in the session, or stated in the machine file.
        standby_uncertainty_a: one standard deviation, A.
        key: ``off`` or ``on`` where ``enable_voltage`` tells which, while it was seen.
        self_discharge_a: self-discharge of the cells, as a current, A.
        days_to_empty: from the charge at the end of the session, days.
        days_from_full: likewise from a full charge.
        advice: sentences for the winter.
        unknown: why a figure is None.
    """

    standby_a: float | None = figure_field("standby current")
    standby_uncertainty_a: float | None = figure_field("uncertainty of the standby current")
    standby_by: Literal["seen", "stated"] | None = figure_field("source of the standby current")
    key: Literal["on", "off"] | None = field(default=None, metadata=HIDDEN)
    self_discharge_a: Range | None = figure_field("self-discharge", hidden=True)
    days_to_empty: Range | None = figure_field("days to empty when parked")
    days_from_full: Range | None = figure_field("days from full to empty when parked")
    advice: tuple[str, ...] = figure_field("storage advice", default=())
    unknown: Mapping[str, str] = field(default_factory=dict)


def days_to_empty(charge_ah: Range, current_a: Range) -> Range:
    """Return how many days ``charge_ah`` lasts at ``current_a``; infinite where nothing may be drawn."""
    return charge_ah.over(current_a.times(24.0))


def find_storage(
    series: SessionSeries,
    power: SessionPower,
    rests: Sequence[Phase],
    *,
    offset_uncertainty_a: float | None = None,
    chemistry: Chemistry | None = None,
    capacity_ah: float | None = None,
    end_pct: Range | None = None,
    stated_standby_a: float | None = None,
) -> Storage:
    """Return the standby current of the parked machine and what follows.

    Args:
        series: the session.
        power: its current, a known offset taken off.
        rests: phases of kind ``rest``.
        offset_uncertainty_a: one standard deviation of the remaining offset, A; None: the offset is not known, so
            a draw of that size cannot be judged.
        chemistry, capacity_ah: of the pack.
        end_pct: state of charge at the end of the session, %.
        stated_standby_a: [machine] standby_current_a.
    """
    unknown: dict[str, str] = {}
    standby, sigma, key = _seen(series, power, rests, offset_uncertainty_a, unknown)
    by: Literal["seen", "stated"] | None = "seen" if standby is not None else None
    if standby is None and stated_standby_a is not None:
        standby, sigma, by, key = stated_standby_a, 0.1 * stated_standby_a, "stated", "off"
        unknown.pop("standby_a", None)
    lost = None
    if chemistry is None or capacity_ah is None:
        unknown["self_discharge_a"] = "chemistry and capacity are not both stated"
    else:
        lost = SELF_DISCHARGE_PCT_MONTH[chemistry.name].times(capacity_ah / 100.0 / (_DAYS_A_MONTH * 24.0))
    days = full = None
    if standby is None or capacity_ah is None:
        why = "the standby current is not known" if standby is None else "the capacity is not stated"
        unknown |= dict.fromkeys(("days_to_empty", "days_from_full"), why)
    else:
        draw = Range.around(standby, Z90 * (sigma or 0.0)).at_least(0.0)
        draw = draw.plus(lost) if lost is not None else draw
        full = days_to_empty(Range.exactly(capacity_ah), draw)
        if end_pct is None:
            unknown["days_to_empty"] = "the state of charge at the end is not known"
        else:
            days = days_to_empty(end_pct.at_least(0.0).times(capacity_ah / 100.0), draw)
    advice = _advice(chemistry, end_pct, standby, days or full, days is not None)
    return Storage(standby, sigma, by, key, lost, days, full, advice, unknown)


def _seen(
    series: SessionSeries,
    power: SessionPower,
    rests: Sequence[Phase],
    offset_uncertainty_a: float | None,
    unknown: dict[str, str],
) -> tuple[float | None, float | None, Literal["on", "off"] | None]:
    """Return the current seen at rest, its uncertainty, and whether the key was on."""
    long = [phase for phase in rests if phase.duration_s >= _LEAST_REST_S]
    if power.current is None or not long:
        unknown["standby_a"] = "the machine never rested for five minutes with the current recorded"
        return None, None, None
    pieces = [power.current.values[power.current.rows(p.start + round(_SETTLING_S * 1e6), p.end)] for p in long]
    values = np.concatenate(pieces)
    if not len(values):
        unknown["standby_a"] = "no current was recorded while the machine rested"
        return None, None, None
    if float(np.ptp(values)) == 0.0 and abs(float(values[0]) + power.offset_a) < _NO_CURRENT_A:
        unknown["standby_a"] = (
            "the sensor shows exactly 0 A at rest; many show 0 below half an ampere, so measure with a clamp meter"
        )
        return None, None, None
    mean = float(np.mean(values))
    if offset_uncertainty_a is None:
        unknown["standby_a"] = (
            f"the sensor shows {fixed(mean, 2)} A at rest, but its offset is not known, so it may not be real"
        )
        return None, None, None
    return mean, offset_uncertainty_a, _key(series, long)


def _key(series: SessionSeries, rests: Sequence[Phase]) -> Literal["on", "off"] | None:
    enable = series.get("enable_voltage")
    if enable is None:
        return None
    values = np.concatenate([enable.values[(enable.t >= p.start) & (enable.t <= p.end)] for p in rests])
    high = float(np.max(enable.values))
    if not len(values) or high < 1.0:
        return None
    return "on" if float(np.median(values)) > 0.5 * high else "off"


def _advice(
    chemistry: Chemistry | None, end_pct: Range | None, standby: float | None, days: Range | None, from_now: bool
) -> tuple[str, ...]:
    """Return what to do before the winter; common practice, and the pack maker's sheet comes first."""
    said: list[str] = []
    if days is not None and days.low < _WINTER_DAYS:
        since = "from its present charge" if from_now else "from a full charge"
        said.append(
            f"Disconnect the pack while the machine is parked: {since}, the standby current empties it in "
            f"about {days.mid:.0f} {'day' if round(days.mid) == 1 else 'days'} ({days.low:.0f} to {days.high:.0f})."
        )
    elif standby is None:
        said.append("Disconnect the pack while the machine is parked for weeks: its standby current is not known.")
    if chemistry is None:
        return tuple(said)
    if chemistry.is_lithium:
        if end_pct is not None and end_pct.mid > _TOO_FULL_PCT:
            said.append("Use some of the charge before the winter: lithium cells age least at about half.")
        elif end_pct is not None and end_pct.mid < _TOO_EMPTY_PCT:
            said.append(
                "Charge to about half before the winter: an empty pack can drop below the cells' lowest voltage."
            )
        else:
            said.append("Store at about half charge, cool and dry, and check it every two to three months.")
        if chemistry.charge_low_c >= 0.0:
            said.append(f"Never charge it below {chemistry.charge_low_c:.0f} °C: warm it first.")
    else:
        said.append("Charge it full before the winter and again every month or two: lead-acid ages when discharged.")
        said.append("A discharged lead-acid battery freezes; a full one does not in ordinary winters.")
    said.append("The pack maker's sheet comes before this advice.")
    return tuple(said)
