"""Time: the clock set back and forth, the change to summer time, the program suspended."""

from __future__ import annotations

import random
import signal
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.faults.checks import ends_well
from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import Watch, shakedown
from tests.faults.shim import Shim
from tests.faults.stored import lost_s, numbers_in, rows_of

_BERLIN = "CET-1CEST,M3.5.0,M10.5.0/3"
# The last Sundays of March and October 2026, 01:00 UTC, by the rule above.
_CHANGES = (datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC))


def clock_set(rng: random.Random, folder: Path) -> Outcome:
    """Set the clock five times, by a second to two days, while recording."""
    jumps = [rng.choice([-1, 1]) * rng.choice([1, 60, 3600, 172_800]) * rng.random() for _ in range(5)]
    return _with_clock(folder, [0.0, *jumps], {})


def summer_time(rng: random.Random, folder: Path) -> Outcome:
    """Begin 3 s before the change to or from summer time, and record through it."""
    ahead = rng.choice(_CHANGES).timestamp() - 3.0 - time.time()
    return _with_clock(folder, [ahead] * 6, {"TZ": _BERLIN})


def _with_clock(folder: Path, ahead: list[float], variables: dict[str, str]) -> Outcome:
    store = folder / "sessions.sqlite3"
    with Shim(folder, store) as shim, NumberedBoard(folder) as board:
        shim.move_clock(ahead[0])
        with Watch(board.machine_file, store, variables=variables | shim.variables) as watch:
            since = watch.wait_for_link()
            for each in ahead:
                shim.move_clock(each)
                time.sleep(1.0)
            board.stop_and_be_read()
            status, summary = watch.end()
        counted, wrong = ends_well(status, summary)
        lost = lost_s(board.sent, numbers_in(store), since, time.time())
    rows = [(t / 1e6, int(n)) for t, n in rows_of(store, "extra_number")]
    # Read in pieces, a line is up to a second late on a busy computer; a clock that was followed is off by far more.
    off = [(t - rows[0][0]) - (board.sent[n] - board.sent[rows[0][1]]) for t, n in rows]
    assert max(off) - min(off) < 2.0, f"rows are {max(off) - min(off):.1f} s off"
    assert rows == sorted(rows), "rows run back"
    found = shakedown("report", "last", "--store", store, "--json")
    assert found.returncode == 0, found.stderr[-300:]
    return Outcome(lost, None, counted, wrong)


def suspended(rng: random.Random, folder: Path) -> Outcome:
    """Stop the process for 1 to 20 s, as a suspend does, and let it go on."""
    store = folder / "sessions.sqlite3"
    with NumberedBoard(folder, rate_hz=20.0) as board, Watch(board.machine_file, store) as watch:
        since = watch.wait_for_link()
        time.sleep(rng.uniform(0.5, 1.5))
        watch.process.send_signal(signal.SIGSTOP)
        time.sleep(rng.choice([1.0, 3.0, 8.0, 20.0]))
        watch.process.send_signal(signal.SIGCONT)
        time.sleep(rng.uniform(2.0, 3.0))
        board.stop_and_be_read()
        status, summary = watch.end()
    counted, wrong = ends_well(status, summary)
    return Outcome(lost_s(board.sent, numbers_in(store), since, time.time()), None, counted, wrong)


_STEADY = "rows keep their spacing; nothing is lost"
register(Fault("clock-set", "The clock is set back and forth, by up to two days", _STEADY, 1, 100, clock_set))
register(Fault("summer-time", "Summer time begins or ends during the drive", _STEADY, 1, 20, summer_time))
_READ = "what the link still held is read; nothing is lost"
register(Fault("suspend", "The program is suspended for up to 20 s", _READ, 1, 60, suspended))
