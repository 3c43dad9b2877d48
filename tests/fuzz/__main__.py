"""``python -m tests.fuzz``: damaged input for everything that reads from outside.

No input may raise anything but our own errors (a link's decoder not even those), take over 1 s of processor time or
200 MB, or give a value that is not possible and not marked as unknown. The same seed makes the same inputs. The short
run, which is part of ``.ci/run``, begins with the first input each time. ``--long`` goes on where the last long run
was stopped, up to ten million inputs; decoders get most of them, slow readers few, and the table says how many each.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: a limit on address space counts threads' stacks

from . import files, stores, streams, tables
from .kept import Kept, read_failure, write_table
from .target import Target
from .worker import try_data, try_inputs

TARGETS: dict[str, Target] = {
    each.name: each for each in (*streams.TARGETS, *files.TARGETS, *tables.TARGETS, *stores.TARGETS)
}
SHORT, LONG = 12_000, 10_000_000
ROUND = 20_000
SEED = 7


def main() -> int:
    """Run what the command line asks for; return 1 where an input is against the rules."""
    options = _arguments()
    if options.replay:
        name, data = read_failure(options.replay)
        TARGETS[name].prepare()
        wrong = try_data(TARGETS[name], data)
        print(f"{name}, {len(data)} bytes: {wrong or 'nothing wrong'}")
        return 1 if wrong else 0
    logging.disable(logging.CRITICAL)  # python-can says what its writers leave out
    chosen = [TARGETS[name] for name in options.only or TARGETS]
    for target in chosen:
        target.prepare()
    if options.write_table:
        kept = Kept(options.work, options.seed)
        write_table(kept, list(TARGETS.values()), _still_failing(options.work), options.seed)
        return 0
    if options.long:
        return _run(Kept(options.work, options.seed), chosen, options)
    with tempfile.TemporaryDirectory() as folder:
        broken = _run(Kept(Path(folder), options.seed), chosen, options)
        for path in Path(folder).glob("*.fuzz"):
            options.work.mkdir(parents=True, exist_ok=True)
            (options.work / path.name).write_bytes(path.read_bytes())
    return broken


def _run(kept: Kept, chosen: list[Target], options: argparse.Namespace) -> int:
    wanted = options.inputs or (LONG if options.long else SHORT)
    shares, until = sum(each.share for each in chosen), time.monotonic() + 60 * options.minutes
    made = {each.name: (kept.progress[each.name].done if each.name in kept.progress else 0) for each in chosen}
    tried = sum(made.values()) if options.long and not options.inputs else 0
    while tried < wanted and time.monotonic() < until:
        this_round = min(ROUND, wanted - tried)
        for target in chosen:
            count = max(1, round(this_round * target.share / shares))
            outcome = try_inputs(target, options.seed, made[target.name], count)
            made[target.name] += outcome.done
            tried += outcome.done
            for sentence in kept.add(target, outcome):
                print(sentence.replace(str(kept.folder), str(options.work)), file=sys.stderr, flush=True)
    for target in chosen:
        each = kept.progress.get(target.name)
        if each is not None and each.done:
            mean = 1e3 * each.seconds / each.done
            worst = f"slowest {each.slowest:.2f} s, {each.memory / 1e6:4.0f} MB"
            print(f"{target.name:18} {each.done:9,} inputs, mean {mean:7.2f} ms, {worst}")
    broken = sum(kept.kinds.values())
    print(f"{tried:,} inputs, seed {options.seed}; {broken} against the rules, of {len(kept.kinds)} kinds")
    return 1 if broken else 0


def _still_failing(folder: Path) -> dict[str, int]:
    """Count by target the kept inputs that still fail; those that no longer do are removed."""
    found: dict[str, int] = {}
    for path in sorted(folder.glob("*.fuzz")):
        name, data = read_failure(path)
        if try_data(TARGETS[name], data):
            found[name] = found.get(name, 0) + 1
        else:
            path.unlink()
    return found


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description="Damaged input for every reader.")
    parser.add_argument("--long", action="store_true", help=f"up to {LONG:,} inputs, going on from the last long run")
    parser.add_argument("--inputs", type=int, metavar="N", help=f"how many in this run, {SHORT:,} unless --long")
    parser.add_argument("--minutes", type=float, default=1e6, metavar="M", help="stop after that time")
    parser.add_argument("--only", nargs="+", metavar="TARGET", choices=list(TARGETS), help=", ".join(TARGETS))
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--replay", type=Path, metavar="FILE", help="try the input of a kept failure again")
    parser.add_argument("--write-table", action="store_true", help="write the long run's rows into tests/results.md")
    parser.add_argument("--work", type=Path, default=Path("build/fuzz"), help="folder for progress and failures")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
