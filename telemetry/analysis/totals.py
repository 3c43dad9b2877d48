"""What went out of the pack and what came back, in all, with how sure that is.

The figures are those of the screen, less a known offset of the current sensor; ``as_read`` keeps what the screen
showed. Uncertainties are one standard deviation, from four causes: the part of the offset that is not known (for as
long as current flowed that way), the gain of the current sensor and, for energy, of the voltage reading (see
:mod:`telemetry.analysis.instruments`), gaps of up to ten minutes (what would have flowed had the minute on either
side gone on through the gap), and sampling: a change between two rows may have come at any moment between them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from telemetry.analysis.instruments import InstrumentErrors, errors_at
from telemetry.analysis.phases import Phase, find_phases
from telemetry.analysis.ranges import Z90
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import Flow, Place, SessionPower, find_power, hours
from telemetry.model.batch import MICROSECONDS
from telemetry.model.figures import HIDDEN, figure_field

LEAST_RETURNED_PCT = 0.1
"""Of the energy that went out: less than so much, returned while driving, is none. Ours."""
_EITHER_SIDE = 60 * MICROSECONDS
LONGEST_GUESSED = 600 * MICROSECONDS
"""Longest gap that the uncertainty covers; what flowed in a longer one is in no total and in no uncertainty."""


@dataclass(frozen=True)
class Totals:
    """Totals of a session. Everything but the times is None where it cannot be told, with the reason in ``unknown``.

    Attributes:
        duration_s: seconds from the first row to the last.
        gaps_s: seconds of it in which power (else current) was not known.
        energy_out_wh, energy_in_wh: out of the pack and into it, Wh, both >= 0, a known offset taken off.
        charge_out_ah, charge_in_ah: likewise, Ah.
        peak_power_w: highest power as sampled, W; ``peak_power_at_s`` when, seconds as shown to the user.
        mean_power_w: net energy over the time it was known, W.
        returned_share_pct: energy that came in while no charger was at work, in per cent of what went out.
        current_offset_a: what was taken off, A; None where no offset is known.
        as_read: the figures without that correction, as the screen showed them, by the same names.
        uncertainty: one standard deviation of a figure, in its unit, by the figure's name.
        parts: what each uncertainty is made of, by the figure's name: ``offset`` and ``gain`` of the current sensor,
            ``voltage`` (its gain), ``gaps``, ``sampling``.
        measured_at: where the voltage behind energy and power was measured; None where they are not known.
        unknown: why a figure is None.
    """

    duration_s: float = figure_field("length", default=0.0)
    gaps_s: float = figure_field("gaps", default=0.0)
    energy_out_wh: float | None = figure_field("energy out")
    energy_in_wh: float | None = figure_field("energy in")
    charge_out_ah: float | None = figure_field("charge out")
    charge_in_ah: float | None = figure_field("charge in")
    peak_power_w: float | None = figure_field("peak power")
    peak_power_at_s: float | None = figure_field("time of the peak power")
    mean_power_w: float | None = figure_field("mean power")
    returned_share_pct: float | None = figure_field("returned while driving")
    current_offset_a: float | None = figure_field("offset of the current sensor")
    as_read: Mapping[str, float] = field(default_factory=dict)
    uncertainty: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, Mapping[str, float]] = field(default_factory=dict, metadata=HIDDEN)
    measured_at: Place | None = figure_field("place of the voltage measurement")
    unknown: Mapping[str, str] = field(default_factory=dict)


def find_totals(
    series: SessionSeries,
    offset_a: float | None = None,
    offset_uncertainty_a: float | None = None,
    errors: InstrumentErrors | None = None,
    power: SessionPower | None = None,
    charges: Sequence[Phase] | None = None,
    shown: SessionPower | None = None,
) -> Totals:
    """Return the totals of ``series``.

    Args:
        series: the session.
        offset_a: what the current sensor reads at no current, A; it is taken off. None: not known, nothing is.
        offset_uncertainty_a: one standard deviation of what is left of the offset, A; None counts as 0, and
            ``unknown`` says that the offset's part is missing.
        errors: of the instruments, already set right as far as known; None: what is usual.
        power: the session's power as :func:`find_power` gives it, with any offset; made here where it is None.
        charges: the phases in which a charger was at work; found here where they are None.
        shown: power by the readings as they came; None where nothing was set right.
    """
    errors = errors or errors_at(None, None)
    current_gain, voltage_gain = errors.current.gain_sd, errors.voltage.gain_sd
    plain = (power or find_power(series)).less(0.0)
    found = plain.less(offset_a or 0.0)
    charges = find_phases(series, found).of("charge") if charges is None else charges
    figures, unknown = _figures(series, found, charges)
    raw = plain if shown is None else shown.less(0.0)
    as_read = figures if raw is found else _figures(series, raw, charges)[0]
    if offset_a is None and found.current is not None:
        unknown["current_offset_a"] = "nothing in the session shows what the sensor reads when no current flows"
    sigma = offset_uncertainty_a or 0.0
    parts: dict[str, dict[str, float]] = {}
    gains = {"gain": current_gain, "voltage": voltage_gain}
    if found.current is not None:
        parts |= _parts(found.current, "charge_{}_ah", sigma, {"gain": current_gain}, np.ones(len(found.current)))
    if found.power is not None:
        parts |= _parts(found.power, "energy_{}_wh", sigma, gains, found.voltage)
        at_peak = abs(float(found.voltage[int(np.argmax(found.power.values))]))
        peak = abs(figures["peak_power_w"])
        parts["peak_power_w"] = {"offset": sigma * at_peak} | {name: each * peak for name, each in gains.items()}
    if "mean_power_w" in figures and found.power is not None:
        known_h = found.power.recorded_s / 3600
        mean_v = float(np.mean(found.voltage))
        mean = abs(figures["mean_power_w"])
        parts["mean_power_w"] = {"offset": sigma * mean_v}
        for name in ("gaps", "sampling"):
            both = np.hypot(parts["energy_out_wh"][name], parts["energy_in_wh"][name])
            parts["mean_power_w"][name] = float(both / known_h)
        parts["mean_power_w"] |= {name: each * mean for name, each in gains.items()}
    if "returned_share_pct" in figures and not _share_is_known(figures, parts):
        del figures["returned_share_pct"]
        unknown["returned_share_pct"] = "what went out, or came back, is no larger than its own uncertainty"
    gap_flow = found.power or found.current
    return Totals(
        duration_s=series.duration_s,
        gaps_s=0.0 if gap_flow is None else max(0.0, series.duration_s - gap_flow.recorded_s),
        current_offset_a=offset_a,
        as_read=as_read,
        uncertainty={name: _sigma(part) for name, part in parts.items()},
        parts=parts,
        measured_at=None if found.power is None else found.place,
        unknown=unknown,
        **figures,
    )


def _figures(
    series: SessionSeries, found: SessionPower, charges: Sequence[Phase]
) -> tuple[dict[str, float], dict[str, str]]:
    """Return every figure that can be told, and why the others cannot."""
    current, power = found.current, found.power
    figures: dict[str, float] = {}
    unknown: dict[str, str] = {}
    if current is not None:
        figures |= {"charge_out_ah": float(current.out[-1]), "charge_in_ah": float(current.into[-1])}
    else:
        unknown |= dict.fromkeys(("charge_out_ah", "charge_in_ah"), "pack_current was not recorded")
    needed = (
        "energy_out_wh",
        "energy_in_wh",
        "peak_power_w",
        "peak_power_at_s",
        "mean_power_w",
        "returned_share_pct",
    )
    if power is None:
        lacking = [name for name in ("pack_voltage", "pack_current") if series.get(name) is None]
        why = (
            f"{' and '.join(lacking)} {'was' if len(lacking) == 1 else 'were'} not recorded"
            if lacking
            else "voltage and current are never known together"
        )
        return figures, unknown | dict.fromkeys(needed, why)
    out, into = float(power.out[-1]), float(power.into[-1])
    peak = int(np.argmax(power.values))
    figures |= {
        "energy_out_wh": out,
        "energy_in_wh": into,
        "peak_power_w": float(power.values[peak]),
        "peak_power_at_s": (int(power.t[peak]) - series.origin) / MICROSECONDS,
    }
    if power.recorded_s > 0.0:
        figures["mean_power_w"] = (out - into) / power.recorded_s * 3600
    else:
        unknown["mean_power_w"] = "power is known at single moments only"
    charged = sum(power.between(each.start, each.end)[1] for each in charges)
    if out > 0.0:
        figures["returned_share_pct"] = 100.0 * max(0.0, into - charged) / out
    else:
        unknown["returned_share_pct"] = "no energy went out of the pack"
    return figures, unknown


def _share_is_known(figures: Mapping[str, float], parts: Mapping[str, Mapping[str, float]]) -> bool:
    """Return whether what came back, in per cent of what went out, is more than the sensors' errors."""
    told = (_sigma(parts[name]) * Z90 < figures[name] for name in ("energy_out_wh", "energy_in_wh"))
    return figures["returned_share_pct"] < LEAST_RETURNED_PCT or all(told)


def _sigma(part: Mapping[str, float]) -> float:
    return float(np.sqrt(sum(each**2 for each in part.values())))


def _parts(
    flow: Flow, name: str, sigma: float, gains: Mapping[str, float], weight: np.ndarray
) -> dict[str, dict[str, float]]:
    """Return the parts of the uncertainty of what went out and in; ``weight`` turns A into the flow's unit."""
    span = hours(flow)
    found = {}
    for way, running, sign in (("out", flow.out, 1.0), ("in", flow.into, -1.0)):
        flowing = sign * flow.values > 0.0
        found[name.format(way)] = {
            "offset": sigma * float(np.sum(np.where(flowing, span * np.abs(weight), 0.0))),
            "gaps": _in_gaps(flow, sign),
            "sampling": _between_rows(np.maximum(sign * flow.values, 0.0), span),
        } | {gain: share * float(running[-1]) for gain, share in gains.items()}
    return found


def _between_rows(values: np.ndarray, span: np.ndarray) -> float:
    """Return one standard deviation of a trapezoidal sum: each change came at any moment between its two rows.

    Args:
        values: float64 (n,), what flowed at each row.
        span: float64 (n,), length of the interval that leads to each row, h, 0 for gaps.
    """
    return float(np.sqrt(((np.diff(values, prepend=values[0]) * span) ** 2).sum() / 12.0))


def _in_gaps(flow: Flow, sign: float) -> float:
    """Return what would have flowed one way had the minute before and after each gap gone on through it.

    A gap of more than ten minutes is left out: through it nobody can say what went on. It is a finding by itself.
    """
    total = 0.0
    for row in np.flatnonzero(~flow.bridged[1:]) + 1:
        before, after = int(flow.t[row - 1]), int(flow.t[row])
        if after - before > LONGEST_GUESSED:
            continue
        near = np.concatenate(
            [
                flow.values[flow.rows(before - _EITHER_SIDE, before)],
                flow.values[flow.rows(after, after + _EITHER_SIDE)],
            ]
        )
        total += float(np.mean(np.maximum(sign * near, 0.0))) * (after - before) / MICROSECONDS / 3600
    return total
