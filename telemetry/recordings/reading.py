"""Opening a recording in a file, whatever its format."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from telemetry.model.errors import InputError, printable
from telemetry.recordings.csv_recording import CsvRecording
from telemetry.recordings.file_recording import FileRecording
from telemetry.recordings.parquet_recording import ParquetRecording

Format = Literal[".csv", ".csv.gz", ".parquet"]
FORMATS: tuple[Format, ...] = (".csv", ".csv.gz", ".parquet")


def format_of(path: Path) -> Format:
    """Return the format that the suffix of ``path`` names.

    Raises:
        InputError: it names none.

    """
    for suffix in FORMATS:
        if path.name.lower().endswith(suffix):
            return suffix
    raise InputError(f"{printable(path, 200)}: the name must end in {', '.join(FORMATS[:-1])} or {FORMATS[-1]}")


def open_recording(path: Path) -> FileRecording:
    """Open the recording at ``path``; its suffix names the format. Header and first rows are checked at once.

    Raises:
        InputError: there is no such file, or its suffix is none of ``FORMATS``.
        RecordingError: its header or its first rows cannot be read.

    """
    file = printable(path, 200)
    try:
        if path.is_dir():
            raise InputError(f"{file}: it is a folder; name the file in it")
        suffix = format_of(path)
        if not path.exists():
            raise InputError(f"{file}: there is no such file; check the name and the folder")
    except OSError as error:
        raise InputError(f"{file}: it cannot be reached: {error.strerror}") from error
    if not path.is_file():
        raise InputError(f"{file}: it is not an ordinary file; copy it to one first")
    return ParquetRecording(path) if suffix == ".parquet" else CsvRecording(path)
