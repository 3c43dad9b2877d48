"""The channels of an MDF 4 file as one table: each group's rows in its columns, all in the order of their times.

The library maps the file into memory, and a damaged one can bring the whole process down; it also prints what puzzles
it. So it reads in a process of its own.
"""

from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.model.batch import MICROSECONDS
from telemetry.model.errors import InputError, RecordingError, printable
from telemetry.model.expansion import check_expansion
from telemetry.recordings.export.mdf_file import MDF_EXTRA

_ROWS_A_PIECE = 16384
_PATIENCE_S, _SLOWEST_BYTES_PER_S = 60, 500_000
"""How long its process may take: a laptop reads forty times as fast."""
_FIRST_YEAR = 2001
"""A head that names an earlier one was written without a clock."""


def mdf_table(path: Path, out: Path) -> None:
    """Write the table to ``out`` as Parquet.

    Raises:
        InputError: the extra is not installed.
        RecordingError: it cannot be read.

    """
    if find_spec("asammdf") is None:
        raise InputError(f"{printable(path, 200)} {MDF_EXTRA}")
    code = f"import sys; sys.path[:] = {sys.path!r}; from {__name__} import write_table; write_table(*sys.argv[1:])"
    done, nowhere = None, subprocess.DEVNULL
    with suppress(subprocess.TimeoutExpired):  # a damaged one can lead the library in a circle
        done = subprocess.run(  # noqa: S603 - this very program
            [sys.executable, "-c", code, str(path), str(out)],
            stdin=nowhere,
            stdout=nowhere,
            stderr=nowhere,
            check=False,
            timeout=_PATIENCE_S + path.stat().st_size / _SLOWEST_BYTES_PER_S,
        )
    if done is None or done.returncode:
        raise RecordingError(f"{printable(path, 200)}: it is damaged, or no MDF 4 file; export it again")


def write_table(path: str, out: str) -> None:
    """Do so, in the process that is for it alone: a row an instant of a group, channels of numbers only."""
    import pyarrow as pa
    from asammdf import MDF
    from pyarrow import parquet

    with MDF(path, use_display_names=False) as mdf:
        unpacked = sum(8 * each.channel_group.cycles_nr * (1 + len(each.channels)) for each in mdf.groups)
        check_expansion(path, Path(path).stat().st_size, unpacked)
        groups = [each for index in range(len(mdf.groups)) if (each := _numbers(mdf, index))]
        began = mdf.header.start_time
    names = _different([name for group in groups for name, _ in group])
    seconds = np.concatenate([group[0][1].timestamps for group in groups])
    lengths = [len(group[0][1].timestamps) for group in groups]
    of_group, starts = np.repeat(np.arange(len(groups)), lengths), np.cumsum([0, *lengths]).tolist()
    order = np.argsort(seconds, kind="stable")
    if began.year >= _FIRST_YEAR:
        begin = (began if began.tzinfo else began.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
        time = pa.field("time", pa.timestamp("us", "UTC" if began.tzinfo else None))
        seconds = begin // timedelta(microseconds=1) + np.rint(seconds * MICROSECONDS).astype(np.int64)
    else:
        time = pa.field("t [s]", pa.float64())
    schema = pa.schema([time, *(pa.field(name, pa.float64()) for name in names)])
    with parquet.ParquetWriter(out, schema, compression="none", use_dictionary=False, write_statistics=False) as to:
        for at in range(0, len(order), _ROWS_A_PIECE):
            rows = order[at : at + _ROWS_A_PIECE]
            columns = []
            for number, group in enumerate(groups):
                places = np.flatnonzero(of_group[rows] == number)
                for _, signal in group:
                    columns.append(np.full(len(rows), np.nan))
                    columns[-1][places] = signal.samples[rows[places] - starts[number]]
            to.write_table(pa.table([pa.array(seconds[rows], time.type), *columns], schema=schema))


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
