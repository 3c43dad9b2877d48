"""Changes the program in one place after another and counts which changes the tests notice.

``python -m tests.mutants [--count N] [--seed S] [--rooms ...]``; needs ``coverage`` (the extra ``check``). It works
in a copy of the checkout, and goes on where it was stopped. ``--again`` tries the survivors of earlier runs with
the tests as they are now. ``--coverage`` measures with all tests which branches they take, and states it.
``--write-table`` puts the table into ``tests/results.md``.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

from .branches import measure_branches
from .child import load_libraries
from .trials import ROOMS, run_all

_IN_COPY = "SHAKEDOWN_MUTANTS_COPY"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--count", type=int, default=500, help="mutants in all, the same number for each room")
    parser.add_argument("--seed", type=int, default=1, help="which are drawn")
    parser.add_argument("--rooms", nargs="+", default=list(ROOMS), metavar="FOLDER")
    parser.add_argument("--most", type=float, default=20.0, metavar="S", help="seconds of tests a mutant, at most")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after that time")
    parser.add_argument("--again", action="store_true", help="try survivors of earlier runs again")
    parser.add_argument("--coverage", action="store_true", help="state the branch coverage of all tests")
    parser.add_argument("--write-table", action="store_true", help="only write the table into tests/results.md")
    parser.add_argument("--work", type=Path, default=Path("build/mutants"), help="folder for copy and results")
    return parser.parse_args()


def _copy(work: Path) -> Path:
    """Copy what the repository holds, so that nothing is ever changed in the checkout itself."""
    copy = work / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], check=True, stdout=subprocess.PIPE
    ).stdout.decode()
    for name in filter(None, listed.split("\0")):
        if Path(name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(name, copy / name)
    return copy


def main() -> None:
    options = _arguments()
    work = options.work.resolve()
    if options.write_table:
        from .table import write_table

        write_table(work, options)
        return
    if os.environ.get(_IN_COPY):
        load_libraries()
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # so that forks end with it
        if options.coverage:
            measure_branches(work)
        else:
            run_all(options, work)
        return
    if importlib.util.find_spec("coverage") is None:
        sys.exit("coverage is not installed, so no test can be chosen; run: pip install -e '.[test,check]'")
    copy = _copy(work)
    settings = {"PYTHONPATH": str(copy), "CI": "true", "OPENBLAS_NUM_THREADS": "1", _IN_COPY: "yes"}
    settings |= {"GIT_CEILING_DIRECTORIES": str(work)}
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.chdir(copy)
    os.execve(
        sys.executable,
        [sys.executable, "-m", "tests.mutants", *sys.argv[1:], "--work", str(work)],
        os.environ | settings,
    )


if __name__ == "__main__":
    main()
