"""The committed sessions judged by their machine files: once in a process, for each takes seconds."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from telemetry.runs.judged import Judged, judged

SESSIONS = Path(__file__).parents[2] / "replay_data"
NOWHERE = Path("no-store-is-needed.sqlite3")


@cache
def committed(session: str) -> Judged:
    """Return ``orchard-mow``, ``evening-charge`` or ``market-round`` judged; nobody may change what it holds."""
    machine = SESSIONS / ("market.toml" if session == "market-round" else "orchard.toml")
    return judged(str(SESSIONS / f"{session}.csv.gz"), NOWHERE, machine, with_series=True)
