"""Every figure that has a goal, in one table: ``python -m tests.benchmarks [WORD ...]`` for rows with a word.

Shares and ratios are in processor time, so that a neighbour on the machine does little; a quiet one is still better.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks import (
    bench_can,
    bench_import,
    bench_latency,
    bench_program,
    bench_report,
    bench_review,
    bench_screen,
    bench_start,
    bench_store,
)


@dataclass(frozen=True)
class Goal:
    """One row.

    Attributes:
        work: what is measured.
        unit: of the figure and the goal.
        reach: the goal, the most unless ``least``.
        figure: measures it, with an empty folder for its files.
        hint: where to look when it falls short.
    """

    work: str
    unit: str
    reach: float
    figure: Callable[[Path], float]
    hint: str
    least: bool = False

    def said(self, found: float) -> str:
        """Return the row of the table."""
        ratio = self.reach / found if self.least else found / self.reach
        verdict = "reached" if ratio <= 1.0 else f"short: {self.hint}"
        goal = f"{'at least' if self.least else 'at most'} {self.reach:g}"
        return f"{self.work:34} {found:8.2f} {self.unit:22} {goal:14} {ratio:5.2f}  {verdict}"


GOALS = (
    Goal(
        *("live, whole program, 120x40", "% of a core", 3.0, bench_program.live_cost),
        "profile Run._advance and Dashboard.paint by thread_time; a sampling profiler falls in step with the spans",
    ),
    Goal(
        *("live, from a serial port", "% of a core", 3.0, bench_program.serial_cost),
        "schedstat of each thread in /proc says which: loop, reader, store",
    ),
    Goal(
        *("first paint", "of a bare Textual app", 1.3, bench_start.paint_ratio),
        "python -X importtime: what is loaded before telemetry.screen.terminal, and what it loads",
    ),
    Goal(
        *("traces live, four lanes, 120x40", "% of a core", 5.0, lambda _: bench_screen.traces_cost()),
        "Traces.draw by cProfile: a lane is drawn anew once a second, and only its newest columns are found anew",
    ),
    Goal(
        *("review of 10 h, until it is drawn", "s", 0.5, bench_review.opens),
        "StoreReader.minutes of each signal shown, events, and the first use of numpy and Textual apart",
    ),
    Goal(
        *("review of 10 h, keys, 95 of 100", "ms", 50.0, bench_review.answers),
        "Past.columns of a whole drive reads each row: cProfile of Traces.draw",
    ),
    Goal(
        *("bytes to alarm, 99 of 100", "ms", 100.0, lambda _: bench_latency.latency()),
        "PERIOD and GRACE of pipeline/live_pacer.py, gather_s of the driver",
    ),
    Goal(
        *("CAN, 4,000 frames/s live", "% of a core", 8.0, lambda _: asyncio.run(bench_can.live())),
        "cProfile of CanBatches.feed, and how many frames one read brings",
    ),
    Goal(
        *("bytes per stored value", "bytes", 11.0, bench_store.bytes_a_value),
        "dbstat of the store: the index by time takes 0.85 bytes of it",
    ),
    Goal(
        *("replay at max with recording", "of numpy + executemany", 0.5, bench_program.replay_at_max),
        "each minute's fit of resistance, energy left and charge each ten seconds; the store takes a third",
        least=True,
    ),
    Goal(
        *("import of a table by another logger", "of numpy + executemany", 0.5, bench_import.ratio),
        "most of it is the store; blocks with a cell that is no number are read again as text",
        least=True,
    ),
    Goal(
        *("import of our Parquet", "of sqlite3's CSV", 0.4, bench_import.parquet),
        "rows of the store are plain SQL: no import can be quicker than the copying in the row after next",
    ),
    Goal(
        *("import of MDF 4", "of sqlite3's CSV", 0.4, bench_import.mdf),
        "as above; unpacking by its library takes as long again as reading Parquet",
    ),
    Goal(
        *("import's bound: a copy inside SQLite", "of sqlite3's CSV", 0.4, bench_import.bound),
        "while it is, neither of the two above can reach its goal: rows would have to be packed",
    ),
    Goal(
        *("import of 200 MB after 100 MB", "MB more", 30.0, bench_import.memory_grows),
        "tracemalloc of MappedTable.spans",
    ),
    Goal(
        *("report of 24 h, 5 Hz, 28 signals", "MB", 300.0, bench_report.memory_of_a_day),
        "tracemalloc of figures_of, largest first",
    ),
)


def main() -> None:
    """Measure and print, row by row."""
    words = sys.argv[1:]
    rows = []
    for goal in GOALS:
        if not words or any(word.lower() in goal.work.lower() for word in words):
            with tempfile.TemporaryDirectory() as folder:
                rows.append(goal.said(goal.figure(Path(folder))))
    print("\n".join([f"{'work':34} {'figure':>8} {'':22} {'goal':14} {'ratio':>5}", *rows]))


if __name__ == "__main__":
    main()
