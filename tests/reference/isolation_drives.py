"""Simulated drives for judging the isolator, kept on disk so that each is simulated once, and given as one asks for.

Three simulators that share no code: ``varied`` (``drivers.simulated``), ``other`` and ``third``
(``tests.reference``). The last was for judging only, until its drives 11000 to 11119 and 12000 to 12119 chose
from which rows the answer to the throttle is learnt.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from telemetry.analysis.series import Series, SessionSeries

ROOT = Path(__file__).resolve().parents[2]
BASIC = ("throttle_voltage", "controller_voltage", "pack_current", "discharge_allowed", "vehicle_speed")
SIGNAL_SETS: Mapping[str, tuple[str, ...]] = {
    "all": BASIC,
    "with-cells": (*BASIC, "pack_voltage", "cell_min_voltage", "cell_max_voltage"),
    "no-throttle": BASIC[1:],
    "no-speed": BASIC[:-1],
    "no-switch": (*BASIC[:3], "vehicle_speed"),
    "pack-voltage": ("throttle_voltage", "pack_voltage", *BASIC[2:]),
    "current-voltage": ("pack_current", "pack_voltage"),
}
"""What people record, by name: ``all`` is what a modest recorder has."""


@dataclass(frozen=True, eq=False)
class KeptDrive:
    """A drive with its truth.

    Attributes:
        cause, kind: of the fault; ``healthy`` for a sound machine.
        rate_hz: rows a second.
        columns: (n,) each, NaN where a slower signal gave nothing new.
        events: s (k,), when the fault acted.
    """

    cause: str
    kind: str
    rate_hz: float
    columns: Mapping[str, npt.NDArray[np.float64]]
    events: npt.NDArray[np.float64]

    def series(self, signals: Sequence[str], rate_hz: float, seconds: float) -> SessionSeries:
        """Return the first ``seconds`` of ``signals``, rows left out to come down to ``rate_hz``."""
        every = max(round(self.rate_hz / rate_hz), 1)
        rows = np.arange(0, min(round(seconds * self.rate_hz), len(self.columns["pack_current"])), every)
        t = np.round(rows * (1e6 / self.rate_hz)).astype(np.int64)
        held = {}
        for name in signals:
            if name not in self.columns:
                continue
            # A slower signal's last reading is what a recorder at this rate would have caught.
            values = _latest(self.columns[name])[rows] if every > 1 else self.columns[name][rows]
            known = ~np.isnan(values)
            if known.any():
                held[name] = Series(t[known], values[known])
        return SessionSeries("drive", 0, int(t[-1]), 0, "relative", held, None)


def _latest(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    at = np.maximum.accumulate(np.where(np.isnan(values), 0, np.arange(len(values))))
    return values[at]


def kept_drive(machine: str, cause: str, seed: int, seconds: float = 180.0, rate_hz: float = 20.0) -> KeptDrive:
    """Return a drive of one of the three simulators, simulated now or earlier."""
    folder = Path(tempfile.gettempdir()) / f"isolation-drives-{_version(machine)}"
    path = folder / f"{machine}-{cause}-{seed}-{seconds:.0f}-{rate_hz:.0f}.npz"
    if not path.exists():
        kind, columns, events = _SIMULATORS[machine](cause, seed, seconds, rate_hz)
        folder.mkdir(exist_ok=True)
        part = path.with_name(f"part-{path.name}")
        np.savez(part, kind=np.array(kind), events=np.array(events, dtype=np.float64), **columns)  # type: ignore[arg-type]
        part.replace(path)
    with np.load(path) as kept:
        found = {name: kept[name] for name in kept.files if name not in ("kind", "events")}
        return KeptDrive(cause, str(kept["kind"]), rate_hz, found, kept["events"])


@lru_cache
def _version(machine: str) -> str:
    """Return what changes where the simulator does."""
    sources = {
        "varied": [*(ROOT / "drivers" / "simulated").rglob("*.py"), ROOT / "tests" / "reference" / "drives.py"],
        "other": (ROOT / "tests" / "reference").glob("other_*.py"),
        "third": (ROOT / "tests" / "reference").glob("third_*.py"),
    }[machine]
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(sources))).hexdigest()[:12]


_Simulated = tuple[str, Mapping[str, npt.NDArray[np.float64]], Sequence[float]]


def _varied(cause: str, seed: int, seconds: float, rate_hz: float) -> _Simulated:
    from tests.reference.drives import faulty_drive

    drive = faulty_drive(cause, seed, seconds, rate_hz)
    wanted = {*BASIC, "pack_voltage", "cell_min_voltage", "cell_max_voltage", "charge_allowed", "enable_voltage"}
    columns = {name: drive.columns[name] for name in sorted(wanted) if name in drive.columns}
    return drive.variant, columns, [event.t for event in drive.events]


def _other(cause: str, seed: int, seconds: float, rate_hz: float) -> _Simulated:
    from tests.reference.other_drives import SIGNALS, other_drive

    assert rate_hz == 20, "the second simulator measures 20 times a second"
    drive = other_drive(cause, seed, seconds)
    columns = {name: drive.table[:, place].copy() for place, name in enumerate(SIGNALS)}
    return drive.kind, {**columns, "pack_voltage": drive.pack_voltage}, [t for t, _, _ in drive.events]


def _third(cause: str, seed: int, seconds: float, rate_hz: float) -> _Simulated:
    from tests.reference.third_drives import third_drive

    assert rate_hz == 20, "the third simulator measures 20 times a second"
    return third_drive(cause, seed, seconds)


_SIMULATORS = {"varied": _varied, "other": _other, "third": _third}
