"""Probabilities of the causes: a sum of evidence for each, in natural-logarithm odds against a healthy machine."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, isnan, log

from telemetry.analysis.fault_isolation.blame import HELD, LOW_CELL_V
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.readings import Readings, evidence_of_readings

_SOBER, _SURPRISE = 0.7, 0.04
"""Evidence counts for a little less than it seems, and something not thought of stays possible: by the logarithmic
score of stated probabilities over simulated drives of two simulators."""


def probabilities(features: Mapping[str, float], readings: Readings | None = None) -> dict[Cause, float]:
    """Return the probability of every cause; they sum to 1."""
    scores = evidence(features)
    if readings is not None:
        for cause, added in evidence_of_readings(readings).items():
            scores[cause] += added
    top = max(scores.values())
    weights = {cause: exp(_SOBER * (scores[cause] - top)) for cause in CAUSES}
    total = sum(weights.values())
    return {cause: (1 - _SURPRISE) * weights[cause] / total + _SURPRISE / len(CAUSES) for cause in CAUSES}


def evidence(f: Mapping[str, float]) -> dict[Cause, float]:
    """Return the evidence for every cause; that for ``healthy`` is 0."""

    def value(name: str, unknown: float = 0.0) -> float:
        found = f.get(name, unknown)
        return unknown if isnan(found) else found

    pedal = -4.2 + 3.5 * min(value("pedal_faults"), 4) + min(value("pedal_below_rest"), 3)
    growth = log(max(value("wobble_growth", 1.0), 0.5))
    wobbles = 4 * (growth - 0.6) if value("wobble") > 0.03 else -2.0
    connection = -2.5 + min(wobbles, 9) + 3 * min(value("openings"), 4)
    path_at_fault = min(max(wobbles, 0.0), 9.0)
    held = min(max(1.5 * (value("voltage_held") - HELD), 0.0), 6.0) if path_at_fault == 0 else 0.0
    weak = -3 + held + 4 * min(value("low_stops"), 3) + 5 * min(value("low_trips"), 2) - path_at_fault
    weak += min(max((value("sag") - 0.12) / 0.02, 0.0), 1.5) if path_at_fault == 0 else 0.0
    weak += 1.0 if value("cell_low", 9.0) < LOW_CELL_V else 0.0
    switch = -3 + 6 * min(value("high_trips"), 2) + 6 * min(value("brake_trips"), 2) - 2 * min(value("low_stops"), 3)
    controller = -4 + 1.5 * min(value("shortfall_weight"), 7) + 2 * min(value("other_stops"), 3)
    controller -= (
        2 * min(value("low_stops") + value("low_trips") + value("high_trips") + value("openings"), 3)
        + 0.5 * path_at_fault
        + held
    )
    return {
        "healthy": 0.0,
        "pedal-sensor": pedal,
        "controller": controller,
        "power-connection": connection,
        "pack-weak": weak,
        "bms-trip": switch,
        "mechanical-drag": _drag(f),
    }


def _drag(f: Mapping[str, float]) -> float:
    """Return the evidence for drag: by the power where that is known (``drag_odds``), else by the pedal."""
    odds, by_pedal = f.get("drag_odds", float("nan")), f.get("resistance_mean", float("nan"))
    if not isnan(odds):
        return odds
    if isnan(by_pedal):
        return -2.5
    return min((min(max(by_pedal, -0.03), 0.2) - 0.11) / 0.014, 4.0)
