"""Each part of a machine against its limit: the worst that a session showed, the limit, where it is from, headroom.

A part is judged where its limit is known and the session shows what the limit is about. What is not judged says what
to state in the machine file, or what to record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from telemetry.analysis.session_figures import SessionFigures
from telemetry.report.part_currents import current_rows
from telemetry.report.part_path import joint_rows, path_rows, predicted_rows
from telemetry.report.part_row import LEVELS, PartRow
from telemetry.report.part_voltages import cell_rows, temperature_rows, voltage_rows


def part_rows(figures: SessionFigures) -> tuple[PartRow, ...]:
    """Return a row for each part: past its limit, within its warning, holding, not judged; the most used first."""
    made = (current_rows, voltage_rows, cell_rows, temperature_rows, joint_rows, path_rows, predicted_rows)
    rows = [row for rows_of in made for row in rows_of(figures)]
    return tuple(sorted(rows, key=lambda row: (LEVELS.index(row.level), -(row.share_pct or 0.0))))


def part_objects(rows: Sequence[PartRow]) -> list[dict[str, Any]]:
    """Return the rows for JSON."""
    return [
        {key: round(value, 4) if isinstance(value, float) else value for key, value in asdict(row).items()}
        for row in rows
    ]
