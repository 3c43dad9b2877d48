"""What a report says of the cells as a whole: one statement, for the verdict and for the section on cells alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

CAUSE_WORDS: Mapping[str, str] = {
    "low-capacity": "low capacity",
    "low-charge": "low charge",
    "high-resistance": "high resistance",
    "unknown": "cause not known",
}


def cells_statement(report: Mapping[str, Any]) -> str:
    """Return which cells stand out, or that none does and in what they were compared, without a full stop.

    A cell that stopped the charge early counts, and so does an alarm of the cells: none of them is passed over by a
    statement that the cells are alike.
    """
    cells, charging = report["cells"], report["charging"]
    parts = [f"cell {each['cell']} stands out ({CAUSE_WORDS[each['cause']]})" for each in cells["odd"]]
    if charging.get("false_full") and charging.get("stopped_by_cell") is not None:
        parts.append(f"cell {charging['stopped_by_cell']} stopped the charge before the pack was full")
    if parts:
        return "; ".join(parts)
    if cells.get("compared"):
        alike = f"no cell stands out in {' and '.join(cells['compared'])}"
    else:
        alike = f"the cells could not be compared ({_why(report)})"
    raised = dict.fromkeys(
        alarm["name"] for alarm in report["alarms"] if alarm["active_s"] > 0 and alarm["limit"].startswith("cell-")
    )
    return f"{alike}, but see Alarms ({', '.join(raised)})" if raised else alike


def _why(report: Mapping[str, Any]) -> str:
    unknown = report["unknown"]
    reasons = (unknown.get(key) for key in ("cells", "cells.comparison", "resistance.cells"))
    return next((reason for reason in reasons if reason), "this session does not show enough")
