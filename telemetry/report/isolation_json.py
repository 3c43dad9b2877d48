"""The isolator's judgement as one JSON object."""

from __future__ import annotations

from typing import Any

from telemetry.analysis.fault_isolation.findings import Isolation


def isolation_object(isolation: Isolation) -> dict[str, Any]:
    """Return the judgement; docs/commands.md has its keys."""
    return {
        "cause": isolation.cause,
        "ranked": [
            {"cause": each.cause, "probability": round(each.probability, 4), "why": list(each.why)}
            for each in isolation.ranked
        ],
        "events": [
            {"t": round(event.t, 3), "duration": round(event.duration, 3), "what": event.what}
            for event in isolation.events
        ],
        "next_check": list(isolation.next_check),
        "missing": list(isolation.missing),
        "covered": list(isolation.covered),
        "not_covered": dict(isolation.not_covered),
        "odd_cells": [
            {"cell": odd.cell, "cause": odd.cause, "confidence": odd.confidence, "evidence": odd.evidence}
            for odd in isolation.odd_cells
        ],
        "evidence": {
            "judged": isolation.judged,
            "problems": list(isolation.problems),
            "told_apart": list(isolation.told_apart),
        },
    }
