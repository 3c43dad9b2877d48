"""Probabilities of the causes: a sum of evidence for each, in natural-logarithm odds against a healthy machine."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, isnan, log, log1p

from telemetry.analysis.fault_isolation.blame import FOLDS_BY, HELD, LOW_CELL_V
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.readings import Readings, evidence_of_readings

_SOBER, _SURPRISE = 0.9, 0.03
"""Evidence counts for a little less than it seems, and something not thought of stays possible: by the logarithmic
score of stated probabilities over simulated drives of two simulators the evidence may count in full, and the surprise
be a hundredth; a third machine will differ from both."""
HALF = 0.5
LASTING_S = 3.0
"""A pack with little left takes so long to come back; a single shorter stop may have been the foot's."""
BY_JOINT = 0.7
"""Share of the controller's cuts and stops that a joint explains where the voltage wobbles with the current."""
_WOBBLES, _LEAST_WOBBLE = 0.5, 0.03
"""Logarithm of the growth of the noise with the current from which it speaks for a joint; least wobble, share."""


def probabilities(found: Mapping[Cause, float], readings: Readings | None = None) -> dict[Cause, float]:
    """Return the probability of every cause by the evidence ``found`` for it; they sum to 1."""
    scores = dict(found)
    if readings is not None:
        for cause, added in evidence_of_readings(readings).items():
            scores[cause] += added
    top = max(scores.values())
    weights = {cause: exp(_SOBER * (scores[cause] - top)) for cause in CAUSES}
    total = sum(weights.values())
    return {cause: (1 - _SURPRISE) * weights[cause] / total + _SURPRISE / len(CAUSES) for cause in CAUSES}


def evidence(f: Mapping[str, float]) -> dict[Cause, float]:
    """Return the evidence for every cause; that for ``healthy`` is 0.

    Each begins below zero, for most machines have no such fault, and grows by what was seen, up to a bound. What
    another part explains does not count twice: stops at low voltage behind a joint that wobbles are the joint's, and
    output that fails after the pedal's signal failed is the pedal's.
    """

    def value(name: str, unknown: float = 0.0) -> float:
        found = f.get(name, unknown)
        return unknown if isnan(found) else found

    wobbles = 6 * (log(max(value("wobble_growth", 1.0), 0.5)) - _WOBBLES) if value("wobble") > _LEAST_WOBBLE else -3.0
    joint = 1 / (1 + exp(-2 * wobbles))
    lasting = 1.0 if value("low_stop_longest") >= LASTING_S else -1.5
    low_stops = max(4 * min(value("low_stops"), 3) + lasting, 0.0) if value("low_stops") else 0.0
    held = (1 - joint) * min(max(1.5 * (value("voltage_held") - HELD), 0.0), 6.0)
    sags = (1 - joint) * min(max((value("sag") - 0.12) / 0.02, 0.0), 1.5)
    low_cell = 1.0 if value("cell_low", 9.0) < LOW_CELL_V else 0.0
    trips = 6 * min(value("low_trips") + value("high_trips"), 2)
    by_voltage, by_current = (_surprise(value("trip_odds")), _surprise(-value("trip_odds"))) if trips else (0.0, 0.0)
    openings = value("openings")
    cuts = max(value("shortfall_weight") - 3 * value("stops_after_pedal"), 0.0)
    folds, spares = _folds(value("fold_back_evidence"), value("fold_back_lost"), value("deepest_sag"))
    heats = min(max(20 * (value("resistance_change") - 0.08), 0.0), 3.0)
    explained = 2 * min(value("low_stops") + value("low_trips") + value("high_trips") + openings, 3)
    return {
        "healthy": 0.0,
        "pedal-sensor": -4.0 + min(value("pedal_evidence"), 12),
        "controller": -4
        + (1 - BY_JOINT * joint) * (1.5 * min(cuts, 7) + 2 * min(value("other_stops"), 3))
        + (1 - joint) * folds
        - explained
        - held,
        "power-connection": -2.5 + min(wobbles, 9) + heats + 3 * min(openings, 4) + joint * low_stops,
        "pack-weak": -3
        + held
        + 1.5 * min(value("held_back"), 2)
        + (1 - joint) * spares
        + sags
        + low_cell
        + (1 - joint) * low_stops
        + trips
        - by_voltage,
        "bms-trip": -3 + 6 * min(value("brake_trips"), 2) - 0.5 * low_stops + trips - by_current,
        "mechanical-drag": _drag(f),
    }


def _folds(odds: float, lost: float, sag: float) -> tuple[float, float]:
    """Return what an output that shrinks says of the controller, and of the pack where the voltage sags deeply too.

    A controller spares a pack that sags by giving less; it takes more than half away only where little is left.
    """
    shrinks = max(odds - 3, 0.0)
    own = min(max((0.1 - sag) / 0.03, 0.0), 1.0)
    return own * min(shrinks, 6.0) * (lost > FOLDS_BY), (1 - own) * min(shrinks, 4.0) * (lost > HALF)


def _surprise(odds: float) -> float:
    """Return minus the logarithm of the probability that belongs to these log odds."""
    return log1p(exp(-odds)) if odds > -30 else -odds


def _drag(f: Mapping[str, float]) -> float:
    """Return the evidence for drag: by the power where that is known (``drag_odds``), else by the pedal."""
    odds, by_pedal = f.get("drag_odds", float("nan")), f.get("resistance_mean", float("nan"))
    if not isnan(odds):
        return odds
    if isnan(by_pedal):
        return -2.5
    return min((min(max(by_pedal, -0.03), 0.2) - 0.11) / 0.014, 4.0)
