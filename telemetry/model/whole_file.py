"""A file that is written whole or not at all: a crash or a full disk leaves the old one as it was."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from telemetry.model.errors import InputError, printable


@contextmanager
def whole_or_not_at_all(path: Path, replace: bool) -> Iterator[IO[bytes]]:
    """Give a file beside ``path`` to write to; it takes that name at the end, and is gone if anything fails.

    Raises:
        InputError: there is no such folder, it cannot be written, or the file exists and ``replace`` is false.

    """
    file = printable(path, 200)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        if not path.parent.is_dir():
            raise InputError(f"{file}: there is no folder {printable(path.parent, 200)}; make it first")
        if path.is_dir():
            raise InputError(f"{file}: it is a folder; name a file in it")
        if path.exists() and not replace:
            raise InputError(f"{file}: the file exists already; choose another name, or add --replace")
        with part.open("wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        if path.exists():
            shutil.copymode(path, part)
        part.replace(path)
    except OSError as error:
        reason = error.strerror or printable(error, 120)
        raise InputError(f"{file}: it cannot be written: {reason}; choose another folder or make room") from error
    finally:
        with suppress(OSError):
            part.unlink()
