"""Tables that are neither text nor Parquet, written out as one of the two, so that they are read like any other.

A workbook's sheet, JSON lines and the points of a GPX track become text; numbers keep all their digits. MDF 4 becomes
Parquet.
"""

from __future__ import annotations

import csv
import datetime
import json
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import chain, islice
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from telemetry.model.errors import InputError, RecordingError, ShakedownError, printable
from telemetry.model.expansion import check_expansion
from telemetry.recordings.foreign.mdf_table import mdf_table
from telemetry.recordings.lines import LineBlocks

MOST_COLUMNS = 1000
_HEAD_BYTES = 4096
_FIRST_OBJECTS = 100
"""Names that come later in JSON lines are left out: a logger names what it sends from the start."""


def plain_table(path: Path, folder: Path) -> Path:
    """Return the table in ``path`` as a file in ``folder``; ``path`` itself where it is text or Parquet already.

    Raises:
        RecordingError: it is not what the end of its name says.
        InputError: a workbook, and the extra that reads them is not installed.

    """
    out = folder / f"{path.name.split('.')[0]}.csv"
    if path.name.lower().endswith(".mf4"):
        out = out.with_suffix(".parquet")
        mdf_table(path, out)
        return out
    read = next((read for end, read in _READERS.items() if path.name.lower().endswith(end)), None)
    if read is None:
        return path
    try:
        with out.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerows([each if type(each) in _PLAIN else _text(each) for each in row] for row in read(path))
    except ShakedownError:
        raise
    except Exception as error:  # each library has its own
        what = f"{printable(path, 200)}: it is damaged, or not what its name says; export it again"
        raise RecordingError(f"{what} ({type(error).__name__}: {printable(error, 80)})") from None
    return out


_PLAIN = frozenset((type(None), float, int, str))
"""What the writer of CSV writes as it should, a float with all its digits."""


def _text(cell: object) -> str:
    if isinstance(cell, datetime.datetime):
        return cell.isoformat(" ")
    if isinstance(cell, datetime.timedelta):
        seconds = cell.total_seconds()
        return f"{int(seconds // 3600)}:{int(seconds // 60 % 60):02d}:{seconds % 60:09.6f}"
    return str(cell)


def _workbook_rows(path: Path) -> Iterator[Iterable[object]]:
    """Give the rows of the first sheet that has any."""
    try:
        from openpyxl import load_workbook
    except ImportError:
        raise InputError(f"{printable(path, 200)} needs an extra: pip install 'shakedown[spreadsheet]'") from None
    with zipfile.ZipFile(path) as packed:
        check_expansion(printable(path, 200), path.stat().st_size, sum(each.file_size for each in packed.infolist()))
    book = load_workbook(path, read_only=True, data_only=True)
    try:
        for sheet in book.worksheets:
            rows = iter(sheet.iter_rows(values_only=True))
            first = next(rows, None)
            if first is not None:
                yield first
                yield from rows
                return
    finally:
        book.close()


def _json_rows(path: Path) -> Iterator[Iterable[object]]:
    """Give the objects as rows; names within names are joined by dots, and are those of the first objects."""
    objects = _objects(path)
    first = list(islice(objects, _FIRST_OBJECTS))
    names = list(dict.fromkeys(name for each in first for name in each))[:MOST_COLUMNS]
    yield names
    for each in chain(first, objects):
        yield [each.get(name) for name in names]


def _objects(path: Path) -> Iterator[dict[str, object]]:
    for block in LineBlocks(path, printable(path, 200)):
        for line in block.data.splitlines():
            found = json.loads(line) if line.strip() else None
            if isinstance(found, Mapping):
                yield dict(_flat(found, ""))


def _flat(value: Mapping[str, Any], before: str) -> Iterator[tuple[str, object]]:
    for name, inner in value.items():
        if isinstance(inner, Mapping):
            yield from _flat(inner, f"{before}{name}.")
        elif isinstance(inner, list):
            yield from ((f"{before}{name}.{number}", each) for number, each in enumerate(inner, 1))
        else:
            yield f"{before}{name}", inner


def _track_rows(path: Path) -> Iterator[Iterable[object]]:
    """Give time, place and speed of each point of a GPX track; speed is in m/s where a receiver writes it."""
    with path.open("rb") as stream:
        if b"<!DOCTYPE" in stream.read(_HEAD_BYTES):  # entities that expand without end are declared there
            raise RecordingError(
                f"{printable(path, 200)}: it declares entities, which no track needs; it is not read"
            )
    yield ["time", "latitude", "longitude", "speed [m/s]"]
    for _, element in ElementTree.iterparse(path):  # noqa: S314 - entities cannot be declared, see above
        name = element.tag.rpartition("}")[2]
        if name == "trkpt":
            inner = {each.tag.rpartition("}")[2]: each.text for each in element.iter()}
            yield [inner.get("time"), element.get("lat"), element.get("lon"), inner.get("speed")]
            element.clear()


_READERS: dict[str, Callable[[Path], Iterator[Iterable[object]]]] = {
    ".xlsx": _workbook_rows,
    ".jsonl": _json_rows,
    ".jsonl.gz": _json_rows,
    ".gpx": _track_rows,
}
