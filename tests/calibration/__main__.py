"""``python -m tests.calibration``: judge figures on unseen packs; print what was found, or write it into the docs."""

from __future__ import annotations

import argparse
import datetime
import sys
import time
from pathlib import Path

from tests.calibration import page
from tests.calibration.figures import FIGURES
from tests.calibration.judging import Kept, judged
from tests.calibration.splits import CHOOSING, TABLE
from tests.calibration.tally import by_kind


def seeds_of(text: str) -> range:
    """Return the seeds of ``A-B``, both included."""
    first, last = (int(part) for part in text.split("-"))
    return range(first, last + 1)


def main() -> None:
    """Read the options and judge."""
    parser = argparse.ArgumentParser(prog="python -m tests.calibration", description=__doc__)
    parser.add_argument("--figure", nargs="+", choices=sorted(FIGURES), default=sorted(FIGURES))
    parser.add_argument("--sessions", type=int, default=200, help="sessions a figure")
    parser.add_argument("--minutes", type=float, default=1e6, help="stop with fewer sessions after so long")
    parser.add_argument("--seeds", type=seeds_of, default=TABLE, metavar="A-B", help="default: those of the table")
    parser.add_argument("--work", type=Path, default=Path("build/calibration"), help="folder for what was judged")
    parser.add_argument("--write-table", action="store_true", help="into tests/results.md")
    options = parser.parse_args()
    if options.write_table and (options.seeds[0] in CHOOSING or options.seeds[-1] in CHOOSING):
        parser.error(f"seeds {CHOOSING[0]} to {CHOOSING[-1]} chose constants: they are not for the table")
    begin = time.monotonic()
    figures = [FIGURES[name] for name in options.figure]

    def enough(done: int) -> bool:
        print(f"\r{done} of {options.sessions} sessions", end="", file=sys.stderr, flush=True)
        return time.monotonic() - begin > 60.0 * options.minutes

    found, sessions = judged(figures, options.sessions, options.seeds, Kept(options.work), enough)
    print(file=sys.stderr)
    print(f"{sessions} sessions a figure, {time.monotonic() - begin:.0f} s")
    for name, rows in found.items():
        figure = FIGURES[name]
        if not rows:
            print(f"{name}: nothing was stated")
            continue
        tallies = by_kind(rows)
        print(f"\n{figure.title} ({name})")
        print("\n".join(page.lines_of(figure, tallies)), flush=True)
        if options.write_table:
            command = f"python -m tests.calibration --figure {name} --sessions {sessions}"
            if options.seeds != TABLE:
                command += f" --seeds {options.seeds[0]}-{options.seeds[-1]}"
            page.write(figure, tallies, datetime.datetime.now(datetime.UTC).date().isoformat(), command)


if __name__ == "__main__":
    main()
