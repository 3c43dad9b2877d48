"""The program killed at a random moment, as by the system when memory runs out."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import Watch, shakedown
from tests.faults.stored import check_sound, lost_s, numbers_in


def kill(rng: random.Random, folder: Path) -> Outcome:
    """Kill it up to 2.5 s after the first value; then open the store with the program."""
    store = folder / "sessions.sqlite3"
    with NumberedBoard(folder) as board, Watch(board.machine_file, store) as watch:
        since = watch.wait_for_link()
        time.sleep(rng.uniform(0.0, 2.5))
        struck, starved = time.time(), watch.starved_s()
        watch.process.kill()
        watch.process.wait()
    check_sound(store)
    found = shakedown("sessions", "--store", store, "--json")
    assert found.returncode == 0, found.stderr
    (session,) = json.loads(found.stdout)
    assert session["ended_how"] == "ended without notice", session
    stored = numbers_in(store)
    assert stored == sorted(set(stored)), "numbers are stored twice or out of order"
    assert not list(folder.glob("*.lock"))
    return Outcome(lost_s(board.sent, stored, since, struck), starved_s=starved)


register(Fault("kill", "The program is killed", "at most the last second is lost", 4, 1000, kill))
