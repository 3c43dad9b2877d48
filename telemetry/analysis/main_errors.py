"""Which error dominates each main figure of a session, and what would make it smaller.

The parts of a figure's uncertainty are taken as independent, so their squares add up. The largest is named, and what
the whole would be with that part halved: nothing more is promised.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.instruments import InstrumentErrors, SensorError
from telemetry.analysis.ranges import Z90
from telemetry.analysis.session_figures import SessionFigures
from telemetry.analysis.state_of_charge import FULL


@dataclass(frozen=True, slots=True)
class MainError:
    """The largest part of one figure's uncertainty.

    Attributes:
        figure: key of the figure, such as ``totals.energy_out_wh``.
        cause: ``current-gain``, ``current-offset``, ``voltage-gain``, ``gaps``, ``sampling``, ``anchors``,
            ``capacity``, ``voltage-curve`` or ``scatter``.
        part_pct, whole_pct: that part and the whole, one standard deviation each, in per cent of the figure; of a
            state of charge, in per cent of full.
        halved_pct: the whole with that part halved.
        what, remedy: in words.
    """

    figure: str
    cause: str
    part_pct: float
    whole_pct: float
    halved_pct: float
    what: str
    remedy: str


def main_errors(figures: SessionFigures) -> tuple[MainError, ...]:
    """Return the main error of each figure that is known with its parts, in the order of the report."""
    every = (
        ("totals.energy_out_wh", _energy(figures)),
        ("soc.end_pct", _charge(figures)),
        ("resistance.pack_mohm", _resistance(figures)),
        ("capacity.usable_ah", _capacity(figures)),
    )
    return tuple(_largest(figure, parts, figures.errors) for figure, parts in every if parts and any(parts.values()))


def _energy(figures: SessionFigures) -> Mapping[str, float]:
    totals = figures.totals
    names = {"gain": "current-gain", "offset": "current-offset", "voltage": "voltage-gain"}
    parts = totals.parts.get("energy_out_wh", {})
    out = totals.energy_out_wh
    return {names.get(name, name): 100.0 * part / out for name, part in parts.items()} if out else {}


def _charge(figures: SessionFigures) -> Mapping[str, float]:
    """Return the parts in per cent of full; by voltage alone the curve is all that counts."""
    charge, machine, offset = figures.charge, figures.machine, figures.offset
    if charge is None or machine is None or offset is None or charge.end_uncertainty_pct is None:
        return {}
    if charge.method != FULL or not charge.anchors or not len(charge.counted_ah):
        return {"voltage-curve": charge.end_uncertainty_pct}
    anchor = min(charge.anchors, key=lambda each: abs(each.t - int(charge.t[-1])))
    at_anchor = float(np.interp(anchor.t, charge.t, charge.counted_ah))
    capacity = machine.pack.capacity_ah
    counted = 100.0 * abs(float(charge.counted_ah[-1]) - at_anchor) / capacity
    hours = abs(int(charge.t[-1]) - anchor.t) / 3.6e9
    return {
        "anchors": anchor.uncertainty_pct,
        "current-gain": figures.errors.current.gain_sd * counted,
        "capacity": machine.pack.capacity_spread * counted,
        "current-offset": 100.0 * offset.uncertainty_a * hours / capacity,
    }


def _resistance(figures: SessionFigures) -> Mapping[str, float]:
    found = figures.resistance
    if found is None or not found.pack_mohm or found.pack_scatter_mohm is None:
        return {}
    return {
        "current-gain": 100.0 * figures.errors.current.gain_sd,
        "voltage-gain": 100.0 * figures.errors.voltage.gain_sd,
        "scatter": 100.0 * found.pack_scatter_mohm / found.pack_mohm,
    }


def _capacity(figures: SessionFigures) -> Mapping[str, float]:
    found = figures.capacity
    if found is None or found.usable_ah is None or len(found.pairs) != 1:
        return {}
    names = {"gain": "current-gain", "offset": "current-offset", "anchors": "anchors"}
    return {names[name]: 100.0 * part for name, part in found.pairs[0].parts.items()}


_WORDS = {
    "current-offset": (
        "the current sensor's offset",
        "a minute with the key off and the charger unplugged, with a mark that says `key off`,",
    ),
    "gaps": ("gaps in the readings", "a link without gaps"),
    "sampling": ("what changed between two readings", "twice as many readings a second"),
    "anchors": (
        "the anchors of the state of charge",
        "a charge to the end with balanced cells, and an hour's rest near empty,",
    ),
    "capacity": ("the stated capacity", "a measured one ([pack] capacity_ah and capacity_error_percent)"),
    "voltage-curve": ("what voltage tells of charge", "a full charge in the same recording"),
    "scatter": ("the scatter of the load steps", "more load steps, of like size and at like temperature,"),
}


def _largest(figure: str, parts: Mapping[str, float], errors: InstrumentErrors) -> MainError:
    cause = max(parts, key=lambda name: parts[name])
    part, whole = parts[cause], float(np.sqrt(sum(each**2 for each in parts.values())))
    halved = float(np.sqrt(whole**2 - 0.75 * part**2))
    what, remedy = _WORDS[cause] if cause in _WORDS else _of_gain(cause, errors)
    return MainError(figure, cause, part, whole, halved, what, remedy)


def _of_gain(cause: str, errors: InstrumentErrors) -> tuple[str, str]:
    """Return what the gain of current or voltage is, and which comparison would make it smaller."""
    error: SensorError = errors.current if cause == "current-gain" else errors.voltage
    name = "the current sensor" if cause == "current-gain" else "the pack voltage"
    meter = "clamp-meter" if cause == "current-gain" else "multimeter"
    what = f"{name}'s ± {100.0 * Z90 * error.gain_sd:.1f} %"
    limit = 100.0 * 0.5 * error.gain_sd * float(np.sqrt(3.0))
    again = "another" if error.ground == "checked" else "a"
    return what, f"{again} {meter} comparison with a meter good to {limit:.1g} %"
