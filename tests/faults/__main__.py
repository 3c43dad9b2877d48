"""``python -m tests.faults``: try every fault, print a table, write it into tests/results.md if asked to."""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import random
import shutil
import sys
import tempfile
import time
import traceback
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Lock

from tests.faults.fault import FAULTS, Fault, NotTried, Result
from tests.faults.table import print_table, write_table

SEED = 12


def main() -> int:
    """Run what the command line asks for; return 1 where a promise is broken."""
    for module in pkgutil.iter_modules([str(Path(__file__).parent)]):
        if module.name != "__main__":
            importlib.import_module(f"tests.faults.{module.name}")
    arguments = _arguments()
    chosen = [FAULTS[name] for name in arguments.only] if arguments.only else list(FAULTS.values())
    begun = time.monotonic()
    until = None if arguments.minutes is None else begun + 60 * arguments.minutes
    results = run(chosen, arguments.long, arguments.seed, arguments.at_once, arguments.tries, until)
    print_table(results)
    print(f"{sum(each.tries for each in results)} tries in {time.monotonic() - begun:.0f} s, seed {arguments.seed}")
    if arguments.write_table:
        write_table(results, arguments.seed)
    return 1 if any(each.broken for each in results) else 0


def run(
    faults: list[Fault], long: bool, seed: int, at_once: int, tries: int | None = None, until: float | None = None
) -> list[Result]:
    """Make all tries, ``at_once`` side by side; those that must be alone come last. None begins after ``until``."""
    results = {fault.name: Result(fault) for fault in faults}
    lock = Lock()

    def one(fault: Fault, number: int) -> None:
        result = results[fault.name]
        if result.not_tried or (until is not None and time.monotonic() > until):
            return
        folder = Path(tempfile.mkdtemp(prefix=f"faults-{fault.name}-"))
        try:
            outcome = fault.try_once(random.Random(f"{seed}/{fault.name}/{number}"), folder)
            broken = outcome.broken
            if broken and outcome.is_void:
                result.void += 1
                shutil.rmtree(folder, ignore_errors=True)
                return
        except NotTried as why:
            result.not_tried = str(why)
            shutil.rmtree(folder, ignore_errors=True)
            return
        except Exception as error:  # a try that fails in any way counts against the promise
            outcome, broken = None, f"{type(error).__name__}: {error}"
            (folder / "why.txt").write_text(traceback.format_exc())
        with lock:
            if outcome is not None and not broken:
                result.outcomes.append(outcome)
                shutil.rmtree(folder, ignore_errors=True)
            else:
                result.broken.append(broken)
                print(f"{fault.name}, try {number}: {broken}\n  kept in {folder}", file=sys.stderr, flush=True)
            planned = tries or (fault.long if long else fault.short)
            runs = len(result.outcomes) + len(result.broken)
            if runs % 50 == 0:
                print(f"{fault.name}: {runs} of {planned}", file=sys.stderr, flush=True)

    jobs = [(fault, number) for fault in faults for number in range(tries or (fault.long if long else fault.short))]
    with ThreadPoolExecutor(at_once) as pool:
        for fault, number in jobs:
            if not fault.alone:
                pool.submit(one, fault, number)
    for fault, number in jobs:
        if fault.alone:
            one(fault, number)
    return list(results.values())


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description="Break the program on purpose.")
    length = parser.add_mutually_exclusive_group()
    length.add_argument("--short", action="store_true", help="few tries, under two minutes (the default)")
    length.add_argument("--long", action="store_true", help="all tries; takes hours")
    parser.add_argument("--only", nargs="+", metavar="NAME", choices=list(FAULTS), help=", ".join(FAULTS))
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--tries", type=int, metavar="N", help="another number of tries of each fault")
    parser.add_argument("--minutes", type=float, metavar="N", help="begin no more tries after so many minutes")
    parser.add_argument("--at-once", type=int, default=4, metavar="N", help="tries side by side; they mostly wait")
    parser.add_argument("--write-table", action="store_true", help="write the rows into tests/results.md")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
