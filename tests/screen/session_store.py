"""A store with sessions whose outcomes are kept, for the screens that list them. Invented machines and values."""

from __future__ import annotations

import math
from pathlib import Path

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.report.verdict_acts import act_after
from telemetry.runs.program import program_version
from telemetry.store.later_marks import keep_label
from telemetry.store.outcomes import Outcome, OutcomeWord, PowerColumn, keep_outcome
from telemetry.store.writer import StoreWriter

NOW = 1_795_788_900_000_000
"""Fri 27 Nov 2026, 14:15 UTC: what the lists of the tests count as today."""
MINUTE, HOUR, DAY = 60_000_000, 3_600_000_000, 86_400_000_000
PACK = Group("pack", "pack", ("pack_voltage", "pack_current"))


def power(peak: float, charge: bool = False) -> tuple[PowerColumn, ...]:
    """Return a power as drives have it: rest, a hard pull, an even load, a gap, braking; or an even charge."""
    if charge:
        return tuple((-1400.0 + n, -1390.0 + n) for n in range(240))
    columns: list[PowerColumn] = []
    for n in range(240):
        level = 0.0 if n < 20 else peak if n < 28 else 0.35 * peak + 0.05 * peak * math.sin(n / 9)
        columns.append(
            None if 150 <= n < 158 else (-0.08 * peak, 0.1) if 200 <= n < 210 else (level, level * 1.1 + 1)
        )
    return tuple(columns)


# word, why, reason, next, energy Wh, minutes, machine, how long ago it began
Row = tuple[OutcomeWord, str, str, str, float | None, int, str, int]
ROWS: tuple[Row, ...] = (
    (
        "PARK",
        "lowest cell 2.44 V",
        "Lowest cell: 2.44 V at 0:15:12, 0.06 V past its limit of 2.50 V; 1 more below.",
        act_after("lowest-cell", parked=True),
        1850.0,
        42,
        "orchard mower",
        HOUR,
    ),
    (
        "DRIVE GENTLY",
        "motor temperature 84 °C",
        "Motor temperature: 84 °C at 0:28:00, only 6 °C from its limit of 90 °C.",
        "Half throttle until this is done. Let it cool before the next drive.",
        1410.0,
        31,
        "orchard mower",
        4 * HOUR,
    ),
    (
        "DRIVE ON",
        "",
        "9 of 10 parts judged, all within their limits; pack current came nearest (70 % of the way).",
        "Drive on, and compare the next drive with this one.",
        2800.0,
        65,
        "orchard mower",
        DAY,
    ),
    (
        "CHARGED",
        "to 98 %",
        "5 h 10 min, a charge: 7.90 kWh in.",
        "Nothing to do.",
        -7900.0,
        310,
        "orchard mower",
        DAY,
    ),
    (
        "NOT ENOUGH SEEN",
        "only 4 min under load",
        "8 of 10 parts judged, none near its limit, but only 4 min under load.",
        "Drive at least 10 min under the usual load and record it.",
        200.0,
        9,
        "market cart",
        2 * DAY,
    ),
)


def make_store(path: Path, rows: tuple[Row, ...] = ROWS, judged: bool = True) -> Path:
    """Make a store whose last session is the first of ``rows``; return its path."""
    with StoreWriter.open(path) as writer:
        for word, why, reason, then, energy, minutes, machine, ago in reversed(rows):
            start = NOW - ago
            session = writer.begin_session(
                machine=machine,
                machine_text=None,
                origin="live",
                time_basis="absolute",
                started=start,
                start=start,
            )
            end = start + minutes * MINUTE
            events = (Mark(start + MINUTE, "hill by the gate"),) if word == "PARK" else ()
            rows_of = Batch.of_rows(PACK, [start, end], [[76.0, 20.0], [75.0, 0.0]])
            writer.offer(Span(end).adding([rows_of], events))
            writer.end_session(end)
            if judged:
                figures = (("out", "1.93 kWh"), ("peak", "10.7 kW"), ("lowest", "66.2 V"), ("ends at", "61 ± 6 %"))
                outcome = Outcome(
                    session,
                    word,
                    why,
                    reason,
                    then,
                    energy,
                    figures if word != "CHARGED" else (("in", "7.90 kWh"),),
                    power(9700.0 if word == "PARK" else 4000.0, word == "CHARGED"),
                )
                keep_outcome(path, outcome, program_version(), None)
    if len(rows) > 2:
        keep_label(path, 3, "first hay", "")
    return path
