"""Probabilities of the causes: a sum of evidence for each, in natural-logarithm odds against a healthy machine."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, isnan, log

from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.readings import Readings


def probabilities(features: Mapping[str, float], readings: Readings | None = None) -> dict[Cause, float]:
    """Return the probability of every cause; they sum to 1."""
    scores = evidence(features)
    top = max(scores.values())
    weights = {cause: exp(scores[cause] - top) for cause in CAUSES}
    total = sum(weights.values())
    return {cause: weights[cause] / total for cause in CAUSES}


def evidence(f: Mapping[str, float]) -> dict[Cause, float]:
    """Return the evidence for every cause; that for ``healthy`` is 0."""

    def value(name: str, unknown: float = 0.0) -> float:
        found = f.get(name, unknown)
        return unknown if isnan(found) else found

    pedal = -3 + 5 * min(value("pedal_faults"), 3) + min(value("pedal_edges"), 3)
    growth = log(max(value("wobble_growth", 1.0), 0.5))
    wobbles = 4 * (growth - 0.6) if value("wobble") > 0.03 else -2.0
    connection = -2.5 + min(wobbles, 9) + 3 * min(value("openings"), 4)
    path_at_fault = min(max(wobbles, 0.0), 9.0)
    weak = -3 + 4 * min(value("low_stops"), 3) + 5 * min(value("low_trips"), 2) - path_at_fault
    switch = -3 + 6 * min(value("high_trips"), 2) + 6 * min(value("brake_trips"), 2) - 2 * min(value("low_stops"), 3)
    controller = -3 + 1.6 * min(value("shortfall_weight"), 7) + 3 * min(value("other_stops"), 3)
    controller -= (
        2 * min(value("low_stops") + value("low_trips") + value("high_trips") + value("openings"), 3)
        + 0.5 * path_at_fault
    )
    drag = -2.5 if isnan(f.get("resistance_mean", 0.0)) else (value("resistance_mean") - 0.088) / 0.011
    return {
        "healthy": 0.0,
        "pedal-sensor": pedal,
        "controller": controller,
        "power-connection": connection,
        "pack-weak": weak,
        "bms-trip": switch,
        "mechanical-drag": max(min(drag, 8.0), -6.0),
    }
