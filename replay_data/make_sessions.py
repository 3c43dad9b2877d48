"""Makes the recorded sessions beside this file anew, from the simulated machine: python replay_data/make_sessions.py.

Takes some minutes. The same script gives the same files, but for the last digit on another make of computer.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.machine_files import machine_file

HERE = Path(__file__).resolve().parent
PIECE_S = 60


@dataclass(frozen=True)
class Session:
    """One file to make; ``rate_hz`` of group ``pack``, so that there are twice as many rows."""

    file: str
    scenario: str
    seed: int
    start: datetime
    minutes: float
    rate_hz: float


SESSIONS = (
    Session("orchard-mow.csv.gz", "orchard", 1, datetime(2026, 5, 9, 8, 30, tzinfo=UTC), 40, 5.0),
    Session("evening-charge.csv.gz", "orchard-charge", 1, datetime(2026, 5, 9, 17, 45, tzinfo=UTC), 285, 0.25),
    Session("market-round.csv.gz", "market", 2, datetime(2026, 5, 16, 6, 10, tzinfo=UTC), 30, 5.0),
)
MACHINE_FILES = {"orchard.toml": "orchard", "market.toml": "market"}


def lines(session: Session, seconds: float) -> Iterator[str]:
    """Give the header, then one line an instant of the first ``seconds``; what is not new is an empty cell."""
    start = round(session.start.timestamp()) * 1_000_000
    machine = SimulatedMachine(session.scenario, session.seed, start, "simulated", session.rate_hz)
    columns = [signal for group in machine.groups for signal in group.signals]
    yield ",".join(["time", *columns])
    last = start + round(seconds * 1e6) - 1
    reached = start - 1
    while reached < last:
        reached = min(last, reached + PIECE_S * 1_000_000)
        instants: dict[int, dict[str, float]] = {}
        for batch in machine.advance_to(reached):
            for t, row in zip(batch.t.tolist(), batch.values.tolist(), strict=True):
                instants.setdefault(t, {}).update(zip(batch.group.signals, row, strict=True))
        for t in sorted(instants):
            stamp = datetime.fromtimestamp(t / 1e6, UTC).isoformat(timespec="milliseconds").removesuffix("+00:00")
            cells = (f"{instants[t][name]:.7g}" if name in instants[t] else "" for name in columns)
            yield ",".join([f"{stamp}Z", *cells])


def main() -> None:
    """Write all files."""
    for session in SESSIONS:
        packed = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=packed, compresslevel=9, mtime=0) as file:
            for line in lines(session, session.minutes * 60):
                file.write(f"{line}\n".encode())
        (HERE / session.file).write_bytes(packed.getvalue())
        print(f"{session.file}: {len(packed.getvalue())} bytes")
    for name, scenario in MACHINE_FILES.items():
        (HERE / name).write_text(machine_file(scenario, 1), encoding="utf-8")


if __name__ == "__main__":
    main()
