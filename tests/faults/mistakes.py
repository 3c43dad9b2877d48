"""Exceptions thrown on purpose inside the real program: the recording goes on, and the loss, if any, is counted."""

from __future__ import annotations

import random
import time
from functools import partial
from pathlib import Path

from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import Watch
from tests.faults.sabotage import variables
from tests.faults.screen import Screen
from tests.faults.stored import check_sound, ledger, losses_in, lost_s, numbers_in

ALWAYS = 10**9
_ANALYSIS, _PIPELINE = "telemetry.analysis", "telemetry.pipeline"
STAGES = (
    f"{_ANALYSIS}.gaps:GapWatch.advance",
    f"{_ANALYSIS}.derive:Cells.advance",
    f"{_ANALYSIS}.derive:Charge.advance",
    f"{_ANALYSIS}.derive:Power.advance",
    f"{_ANALYSIS}.charge_live:EstimateCharge.advance",
    f"{_ANALYSIS}.resistance_live:EstimateResistance.advance",
    f"{_ANALYSIS}.outlook_live:Outlook.advance",
    f"{_ANALYSIS}.supply_watch:SupplyWatch.advance",
    f"{_ANALYSIS}.fault_isolation.suspicion:Suspicion.advance",
    f"{_PIPELINE}.judge:Judge.advance",
    f"{_PIPELINE}.without_frozen:WithoutFrozen.advance",
)
DRIVER = (
    "drivers.serial_text:SerialTextDriver.readings",
    "drivers.decode.text_batches:TextBatches.feed",
    "drivers.links.serial_port:SerialLink.read",
)
LISTENERS = (f"{_PIPELINE}.snapshot:Snapshot.take", "telemetry.report.printer:Printer.take")
STORE = ("telemetry.store.writer:insert_spans", "telemetry.store.writer:StoreWriter.offer")
END = ("telemetry.store.writer:close_session",)
AFTER_CALLS = 30


def mistake(places: tuple[str, ...], rng: random.Random, folder: Path) -> Outcome:
    """Let one place fail, for a while or from then on; the run is ended in the usual way afterwards."""
    what, times = rng.choice(places), rng.choice((1, 20, ALWAYS))
    at = rng.randrange(3, 6) if "insert_spans" in what else AFTER_CALLS + rng.randrange(20)
    struck_file, store = folder / "struck", folder / "sessions.sqlite3"
    sabotaged = variables(what, 1 if places is END else at, times, struck_file)
    struck, announced_s = 0.0, None
    with (
        NumberedBoard(folder) as board,
        Watch(board.machine_file, store, module="tests.faults.sabotage", variables=sabotaged) as watch,
    ):
        since = watch.wait_for_link()
        if places is not END:
            watch.wait_for(struck_file.exists, "the mistake")
            struck = float(struck_file.read_text())
            if _must_say(what, times):
                announced_s = watch.wait_for(lambda: announced(watch), "the alarm") - struck
        time.sleep(4.0 if times == 20 else 1.5)  # until it is over, for a store that fails cannot count
        board.stop_and_be_read()
        ended = time.time()
        status, summary = watch.end()
    check_sound(store)
    stored = numbers_in(store)
    assert stored == sorted(set(stored)), "numbers are stored twice or out of order"
    if places is DRIVER:  # what is sent while the driver is opened again is missing, as behind any lost link
        return Outcome(lost_s(board.sent, stored, since, struck), announced_s, None, ledger(summary, store))
    lost, refused = lost_s(board.sent, stored, since, ended), summary["values_dropped"]
    assert places is STORE or not lost, f"{lost:.2f} s were lost by a mistake in {what}"
    expected = 3 if refused or places is END else 0
    assert status == expected, f"exit status {status} after a mistake in {what}"
    # a store that takes nothing more cannot hold what it lacks either
    counted = refused > 0 and (times == ALWAYS or losses_in(store, summary["session"]) > 0)
    return Outcome(lost, announced_s, counted if lost else None, ledger(summary, store))


def _must_say(what: str, times: int) -> bool:
    """Tell whether an alarm must be printed: not where printing fails, nor where the next try wrote all."""
    return "Printer" not in what and not ("insert_spans" in what and times == 1)


def announced(watch: Watch) -> bool:
    """Tell whether an alarm says that something of the program failed."""
    limits = ("program-error", "recording", "link")
    return any(each["kind"] == "alarm" and each["limit"] in limits for each in watch.told())


def widget(rng: random.Random, folder: Path) -> Outcome:
    """Let the screen fail while it draws; the run goes on without it, and its lines follow on the same terminal."""
    store, struck_file = folder / "sessions.sqlite3", folder / "struck"
    what = "telemetry.screen.dashboard:Dashboard.drawn_lines"
    said = variables(what, rng.randrange(5, 40), ALWAYS, struck_file)
    with (
        NumberedBoard(folder) as board,
        Screen(board.machine_file, store, module="tests.faults.sabotage", variables=said) as screen,
    ):
        screen.wait_for(b"the screen failed and is gone")
        announced_s = time.time() - float(struck_file.read_text())
        since = time.time()
        time.sleep(1.5)
        board.stop_and_be_read()
        assert screen.end() == 0
    check_sound(store)
    return Outcome(lost_s(board.sent, numbers_in(store), since, time.time()), announced_s)


for name, where, promise, places in (
    ("stage", "A stage", "every row is recorded; an alarm names the stage", STAGES),
    ("driver", "A driver", "its link is opened again; nothing read before is lost", DRIVER),
    ("listener", "What shows or prints", "every row is recorded; an alarm names the part", LISTENERS),
    ("store-thread", "The store's thread", "what cannot be written is announced and counted", STORE),
    ("end", "The end of a session", "every row is recorded, the summary is printed, the exit status is not 0", END),
):
    register(Fault(f"mistake-{name}", f"{where} fails through a mistake", promise, 1, 100, partial(mistake, places)))
register(Fault("mistake-widget", "The screen fails while it draws", "the recording goes on", 1, 40, widget))
