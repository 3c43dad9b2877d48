"""More than anybody asked for: alarms in a flood, and a link at a hundred times its rate."""

from __future__ import annotations

import itertools
import random
import sqlite3
import time
from contextlib import closing
from functools import partial
from pathlib import Path

from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import Watch
from tests.faults.screen import Screen
from tests.faults.stored import check_sound, has_rows, ledger, lost_s, numbers_in

SENSORS = 20
ROWS_A_SWING = 60
"""At 50 Hz all sensors rise past their limit every 1.2 s: 1,000 alarms a minute."""
LIMIT = """
[limits.pack-temperature-high]
warn = 50
trip = 60
raise_delay_s = 0
clear_delay_s = 0
"""
SCREEN_WITHIN_S = 3.0
"""How soon a key must show, on a computer that is busy with other tries as well."""


class SwingingBoard(NumberedBoard):
    """A board whose temperature sensors all swing past their limit and back."""

    header = ("n,pack_voltage," + ",".join(f"pack_temperature_{n}" for n in range(1, SENSORS + 1)) + "\n").encode()

    def line(self, number: int) -> bytes:
        """Return the line of a number."""
        hot = number % ROWS_A_SWING >= ROWS_A_SWING // 2
        return b"%d,%.2f%s\n" % (number, 52.0 + number % 7 / 100, (b",70.5" if hot else b",30.5") * SENSORS)


def flood(seconds: float, rng: random.Random, folder: Path) -> Outcome:
    """Raise 1,000 alarms a minute for so long, with the screen on; press a key in the middle."""
    store = folder / "sessions.sqlite3"
    with SwingingBoard(folder) as board:
        text = board.machine_file.read_text().replace("[[source]]", LIMIT + "[[source]]")
        board.machine_file.write_text(text)
        with Screen(board.machine_file, store) as screen:
            screen.wait_until(lambda: has_rows(store), "the first rows")
            since = time.time()
            time.sleep(seconds * rng.uniform(0.4, 0.6))
            screen.press(b"q")
            answer_s = screen.wait_for(b"q again")
            time.sleep(max(0.0, since + seconds - time.time()))
            board.stop_and_be_read()
            ended = time.time()
            assert screen.end() == 0
    check_sound(store)
    assert answer_s < SCREEN_WITHIN_S, f"a key showed after {answer_s:.1f} s"
    stored = numbers_in(store)
    with closing(sqlite3.connect(store)) as db:
        (raised,) = db.execute("SELECT count(*) FROM alarm WHERE state = 'raised' AND level = 'trip'").fetchone()
        (floods,) = db.execute("SELECT count(*) FROM alarm_finding WHERE what = 'flood'").fetchone()
    rises = sum(
        number % ROWS_A_SWING >= ROWS_A_SWING // 2 > before % ROWS_A_SWING
        for before, number in itertools.pairwise(stored)
    )
    begins_hot = stored[0] % ROWS_A_SWING >= ROWS_A_SWING // 2
    assert raised == SENSORS * (rises + begins_hot), f"{raised} alarms are stored, {SENSORS} x {rises} were raised"
    assert floods, "the flood was not found"
    return Outcome(
        lost_s(board.sent, stored, since, ended), note=f"{raised} alarms, a key showed in {answer_s:.1f} s"
    )


def a_hundred_times(rng: random.Random, folder: Path) -> Outcome:
    """Print at 5,000 lines a second in place of 50, for a few seconds."""
    store = folder / "sessions.sqlite3"
    with NumberedBoard(folder, 5000.0) as board, Watch(board.machine_file, store) as watch:
        since = watch.wait_for_link()
        time.sleep(rng.uniform(2.0, 4.0))
        board.stop_and_be_read()
        ended, starved_s = time.time(), watch.starved_s()
        status, summary = watch.end()
    assert status == 0
    check_sound(store)
    stored = numbers_in(store)
    assert stored == sorted(set(stored)), "numbers are stored twice or out of order"
    rate = len(stored) / (ended - since)
    lost = lost_s(board.sent, stored, since, ended)
    return Outcome(lost, ledger=ledger(summary, store), note=f"{rate:.0f} rows/s", starved_s=starved_s)


for name, seconds, short, long in (("short", 8.0, 1, 0), ("minute", 61.0, 0, 3)):
    register(
        Fault(
            f"alarm-flood-{name}",
            f"1,000 alarms a minute are raised, for {seconds:.0f} s",
            "every row is recorded, every alarm counted, a key shows at once",
            short,
            long,
            partial(flood, seconds),
        )
    )
register(
    Fault(
        "hundredfold-rate",
        "A link sends at 100 times its rate",
        "every row that the line took is recorded",
        1,
        20,
        a_hundred_times,
    )
)
