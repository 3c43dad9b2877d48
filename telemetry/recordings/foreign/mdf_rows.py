"""The channels of an MDF 4 file as one table: each group's rows in its columns, all in the order of their times.

The library maps the file into memory, and a damaged one can bring the whole process down; it also prints what puzzles
it. So it reads in a process of its own.
"""

from __future__ import annotations

import csv
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.model.errors import InputError, RecordingError, printable
from telemetry.recordings.export.mdf_file import MDF_EXTRA

_FIRST_YEAR = 2001
"""A head that names an earlier one was written without a clock."""


def mdf_table(path: Path, out: Path) -> None:
    """Write the table to ``out`` as CSV.

    Raises:
        InputError: the extra is not installed.
        RecordingError: it cannot be read.

    """
    if find_spec("asammdf") is None:
        raise InputError(f"{printable(path, 200)} {MDF_EXTRA}")
    code = f"import sys; sys.path[:] = {sys.path!r}; from {__name__} import write_table; write_table(*sys.argv[1:])"
    done = subprocess.run(  # noqa: S603 - this very program
        [sys.executable, "-c", code, str(path), str(out)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=False,
    )
    if done.returncode:
        raise RecordingError(f"{printable(path, 200)}: it cannot be read as what its name says; export it again")


def write_table(path: str, out: str) -> None:
    """Do so, in the process that is for it alone."""
    with Path(out).open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(_rows(Path(path)))


def _rows(path: Path) -> Iterator[list[object]]:
    """Give the names, then a row an instant of a group; channels that are no numbers are left out."""
    from asammdf import MDF

    with MDF(path, use_display_names=False) as mdf:
        groups = [each for index in range(len(mdf.groups)) if (each := _numbers(mdf, index))]
        began = mdf.header.start_time
    names = _different([name for group in groups for name, _ in group])
    is_dated = began.year >= _FIRST_YEAR
    yield ["time" if is_dated else "t [s]", *names]
    times = np.concatenate([group[0][1].timestamps for group in groups]) if groups else np.zeros(0)
    of_group = np.repeat(np.arange(len(groups)), [len(group[0][1].timestamps) for group in groups])
    firsts = np.cumsum([1, *(len(group) for group in groups)]).tolist()
    rows = [
        zip(*(signal.samples.astype(np.float64).tolist() for _, signal in group), strict=True) for group in groups
    ]
    for at in np.argsort(times, kind="stable").tolist():
        number = int(of_group[at])
        row: list[object] = [None] * (len(names) + 1)
        seconds = float(times[at])
        row[0] = began + timedelta(seconds=seconds) if is_dated else seconds
        row[firsts[number] : firsts[number + 1]] = [value if value == value else None for value in next(rows[number])]
        yield row


def _numbers(mdf: Any, index: int) -> list[tuple[str, Any]]:
    """Return name with unit, and signal, of each channel of a group that holds one number a row."""
    wanted = [(None, index, number) for number in range(len(mdf.groups[index].channels))]
    if not wanted or not mdf.groups[index].channel_group.cycles_nr:
        return []
    signals = mdf.select(wanted, ignore_value2text_conversions=True)
    master = mdf.masters_db.get(index)
    found = []
    for number, signal in enumerate(signals):
        is_one = signal.samples.ndim == 1 and signal.samples.dtype.kind in "fiub"
        if number != master and is_one and len(signal.samples) == len(signal.timestamps):
            found.append((f"{signal.name} [{signal.unit}]" if signal.unit else signal.name, signal))
    return found


def _different(names: list[str]) -> list[str]:
    """Return the names, those that repeat with a number behind."""
    seen: dict[str, int] = {}
    found = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        found.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return found
