"""The committed sessions judged by their machine files: once in a run, for each takes seconds."""

from __future__ import annotations

from pathlib import Path

from telemetry.runs.judged import Judged, judged
from tests.made_once import made_once

SESSIONS = Path(__file__).parents[2] / "replay_data"
NOWHERE = Path("no-store-is-needed.sqlite3")


@made_once
def committed(session: str) -> Judged:
    """Return ``orchard-mow``, ``evening-charge`` or ``market-round`` judged; nobody may change what it holds."""
    machine = SESSIONS / ("market.toml" if session == "market-round" else "orchard.toml")
    return judged(str(SESSIONS / f"{session}.csv.gz"), NOWHERE, machine, with_series=True)
