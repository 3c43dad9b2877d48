"""What must hold after a try whose program ended by itself: the ledger, and the loss counted in all three places."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.faults.program import shakedown
from tests.faults.stored import check_sound, ledger


def listed(store: Path) -> list[dict[str, Any]]:
    """Return the list of sessions as the program gives it."""
    found = shakedown("sessions", "--store", store, "--json")
    assert found.returncode == 0, found.stderr[-500:]
    sessions: list[dict[str, Any]] = json.loads(found.stdout)
    return sessions


def counted_everywhere(summary: Mapping[str, Any]) -> bool | None:
    """Tell whether summary, list and report count the same loss; None where there is none."""
    store, session, lost = Path(summary["store"]), summary["session"], summary["values_dropped"]
    in_list = next(each for each in listed(store) if each["session"] == session)["values_lost"]
    if not lost and not in_list:
        return None
    found = shakedown("report", session, "--store", store, "--json")
    assert found.returncode == 0, found.stderr[-500:]
    return bool(lost == in_list == json.loads(found.stdout)["values_lost"])


def ends_well(status: int, summary: Mapping[str, Any]) -> tuple[bool | None, str]:
    """Check exit status, file and counts; return whether the loss is counted everywhere, and the ledger's fault."""
    assert status == (3 if summary["values_dropped"] else 0), f"exit status {status} with {summary}"
    counted = counted_everywhere(summary)  # opens the store, which closes what was left open
    check_sound(Path(summary["store"]))
    return counted, ledger(summary, Path(summary["store"]))
