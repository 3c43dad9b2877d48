"""``python -m tests.guided``: guided drives by seed, done well and badly, and how the program told them apart."""

from __future__ import annotations

import argparse
import datetime
import math
import sys
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress

import numpy as np

from tests.guided.figures import (
    GOALS,
    Error,
    braking_error,
    climb_error,
    count_error,
    endurance_error,
    tour_errors,
)
from tests.guided.outcomes import Outcome, outcome_of
from tests.guided.ways import every_way, is_long, task
from tests.pages import keeps, table, write

CHOOSING = (*range(10_000), *range(30_000, 35_000))
"""Constants may be chosen on these seeds, and faults looked for: on 30000 to 30160 those of the intervals."""
TABLE = range(21_000, 30_000)
"""The table of the docs is made of these; nothing is chosen on them. Used so far: 10000 to 10400, 15000 to 15400 (of
both something was learnt), 21000 to 21600 (of their intervals too), 27000 to 27500, 28000 to
29600."""
FLOORS = range(20_000, 20_100)
"""Those of the tests."""
KINDS = ("right", "missed", "other reason", "accepted")


def runs(count: int, first: int) -> list[Outcome]:
    """Return ``count`` outcomes: every step in every way in turn, each with the next seed that can do it.

    Drives of hours come in every third turn.
    """
    found, seed = list[Outcome](), first
    short = [way for way in every_way() if not is_long(*way)]
    ways = [*every_way(), *short, *short]
    with suppress(KeyboardInterrupt):
        while len(found) < count:
            step, how = ways[len(found) % len(ways)]
            while (one := task(step, how, seed)) is None:
                seed += 1
            found.append(outcome_of(one))
            seed += 1
            print(f"\r{len(found)} of {count}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return found


def figures(count: int, first: int) -> list[Error]:
    """Return the errors of the figures of ``count`` machines; Ctrl-C ends either part with what there is."""
    errors = list[Error]()
    with suppress(KeyboardInterrupt):
        for seed in range(first, first + count):
            errors += [*tour_errors(seed), climb_error(seed), endurance_error(seed)]
            errors += [each for each in (braking_error(seed), count_error(seed)) if each is not None]
            print(f"\r{seed - first + 1} of {count} machines", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return errors


def run_table(found: Sequence[Outcome]) -> str:
    """Return the table of the runs, by step."""
    rows = []
    for step in [*dict.fromkeys(each.task.step for each in found), "all"]:
        cells = [step]
        ours = [each for each in found if step in (each.task.step, "all")]
        for well in (True, False):
            some = Counter(each.kind for each in ours if (not each.task.reason) == well)
            of = sum(some.values())
            names = ("right",) if well else ("right", "other reason", "accepted")
            cells += [str(of), *(str(some[name]) for name in names)]
        rows.append(cells)
    return table("step | done well | judged | done badly | refused | refused for another reason | accepted", rows)


def figure_table(errors: Sequence[Error]) -> str:
    """Return the table of the figures' errors."""
    rows = []
    for figure, (unit, goal) in GOALS.items():
        ours = [each.error for each in errors if each.figure == figure]
        known = np.array([each for each in ours if not math.isnan(each)])
        if not len(known):
            rows.append([figure, unit, str(len(ours)), "0", "", "", "", ""])
            continue
        inside = [each.inside for each in errors if each.figure == figure and each.inside is not None]
        within = 100.0 * float((np.abs(known) <= goal).mean())
        rows.append(
            [
                figure,
                unit,
                str(len(ours)),
                str(len(known)),
                f"{np.median(known):+.2g}",
                f"{np.quantile(np.abs(known), 0.9):.2g}",
                f"{within:.0f} % within {goal:g}",
                f"{100.0 * sum(inside) / len(inside):.0f} %" if inside else "",
            ]
        )
    return table(
        "figure | error in | drives | given | middle | nine of ten within | goal | held by its 90 % interval", rows
    )


def main() -> None:
    """Run, and print or write the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.guided", description=__doc__)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--tours", type=int, default=40, help="long drives for the figures")
    parser.add_argument("--seed", type=int, default=TABLE[0], help="the first; default: of the table")
    parser.add_argument("--write-table", action="store_true", help="into tests/results.md")
    options = parser.parse_args()
    if options.write_table and options.seed in CHOOSING:
        parser.error("constants were chosen on these seeds: they are not for the table")
    begun = time.monotonic()
    found = runs(options.runs, options.seed)
    errors = figures(options.tours, options.seed)
    for each in found:
        if each.kind != "right":
            why = each.result.why or "; ".join(check.why for check in each.result.checks if check.decides)
            print(f"{each.kind}: {each.task.step}, {each.task.how}, seed {each.task.seed}: {each.result.word}: {why}")
    told = Counter(each.kind for each in found)
    print(", ".join(f"{told[kind]} {kind}" for kind in KINDS), f"of {len(found)}; {time.monotonic() - begun:.0f} s")
    first = options.seed
    command = f"`python -m tests.guided --runs {options.runs} --tours {options.tours} --seed {first}`"
    date = f"{datetime.datetime.now(datetime.UTC).date().isoformat()}, {command}."
    tables = {"runs": run_table(found) if found else "", "figures": figure_table(errors) if errors else ""}
    made = {name: f"{date}\n\n{text}" for name, text in tables.items() if text}
    print("\n\n".join(made.values()))
    if options.write_table:
        write("results", made)
        assert all(keeps("results", name, text) for name, text in made.items())


if __name__ == "__main__":
    main()
