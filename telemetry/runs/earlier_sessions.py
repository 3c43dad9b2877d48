"""What the store knows of a machine from its earlier sessions, as a plain value for its limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.machine.limits_frame import NO_HISTORY, ResistanceHistory

if TYPE_CHECKING:
    from telemetry.model.batch import Times, Values
    from telemetry.store.reader import StoreReader

LATEST = 10
"""Sessions read back: a season's worth of drives, without a long wait."""
MOST_A_SESSION = 50
_CHARGE = ("soc_reported", "soc_estimated")
_SENSORS = tuple(f"pack_temperature_{number}" for number in range(1, 5))


def resistance_history(store: Path | None, machine: str) -> ResistanceHistory:
    """Return the resistances of live sessions of the machine of that name: the latest ten that measured any.

    Args:
        store: where sessions are; None, or no file, for none.
        machine: its name, as in the sessions.

    Raises:
        StoreError: the store cannot be read.

    """
    if store is None or not store.exists():
        return NO_HISTORY
    from telemetry.store.reader import StoreReader

    entries: list[tuple[float, float, float]] = []
    sessions = 0
    with StoreReader.open(store) as reader:
        for record in reversed(reader.sessions()):
            if record.machine == machine and record.origin == "live" and record.ended is not None:
                found = _of_session(reader, record.id)
                entries += found
                sessions += bool(found)
            if sessions == LATEST:
                break
    if not entries:
        return NO_HISTORY
    ohm, temperature, charge = zip(*entries, strict=True)
    return ResistanceHistory(ohm, temperature, charge, sessions)


def _of_session(reader: StoreReader, session: int) -> list[tuple[float, float, float]]:
    """Return resistance, temperature and charge, reported else estimated, of at most fifty moments of a session."""
    found = reader.arrays(session, ["pack_resistance", "pack_resistance_10s"])
    # a session without the second is from before resistance was the chord at 0.3 C: another figure
    if any(name not in found or not len(found[name][0]) for name in ("pack_resistance", "pack_resistance_10s")):
        return []
    t, ohm = found["pack_resistance"]
    beside = reader.arrays(session, [*_SENSORS, *_CHARGE])
    temperatures = [beside[name] for name in _SENSORS if name in beside]
    chosen = range(0, len(t), -(-len(t) // MOST_A_SESSION))
    entries = []
    for row in chosen:
        sensors = [_latest(series, int(t[row])) for series in temperatures]
        known = [value for value in sensors if value == value]
        temperature = sum(known) / len(known) if known else float("nan")
        levels = [_latest(beside[name], int(t[row])) for name in _CHARGE if name in beside]
        charge = next((level for level in levels if level == level), float("nan"))
        if ohm[row] == ohm[row]:
            entries.append((float(ohm[row]), temperature, charge))
    return entries


def _latest(series: tuple[Times, Values], t: int) -> float:
    place = int(series[0].searchsorted(t, side="right")) - 1
    return float(series[1][place]) if place >= 0 else float("nan")
