"""A file that is written whole or not at all: a crash or a full disk leaves the old one as it was."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from telemetry.model.errors import InputError, printable


@contextmanager
def whole_or_not_at_all(path: Path, replace: bool) -> Iterator[IO[bytes]]:
    """Give a file beside ``path`` to write to; it takes that name at the end, and is gone if anything fails.

    A new file may be read by its owner only. One that is replaced keeps its permissions.

    Raises:
        InputError: there is no such folder, it cannot be written, or the file exists and ``replace`` is false.

    """
    file, folder = printable(path, 200), printable(path.parent, 200)
    path = Path(os.path.realpath(path))  # a link stays a link
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        if not path.parent.is_dir():
            raise InputError(f"{file}: there is no folder {folder}; make it first")
        if path.is_dir():
            raise InputError(f"{file}: it is a folder; name a file in it")
        check_free(path, replace, file)
        if path.exists() and not path.is_file():  # a pipe or a terminal has no whole to keep
            with path.open("wb") as stream:
                yield stream
            return
        _remove_left_over(path)
        with open(part, "wb", opener=private) as stream:
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


def write_whole(path: Path, text: str, replace: bool) -> None:
    """Write ``text`` to ``path`` in UTF-8, whole or not at all; raises as :func:`whole_or_not_at_all` does."""
    with whole_or_not_at_all(path, replace) as stream:
        stream.write(text.encode())


def check_free(path: Path, replace: bool, shown: str = "") -> None:
    """Raise InputError where ``path``, called ``shown``, exists and ``replace`` is false."""
    if path.exists() and not replace:
        file = shown or printable(path, 200)
        raise InputError(f"{file}: the file exists already; choose another name, or add --replace")


def private(path: str, flags: int) -> int:
    """Open a file that only its owner may read: recordings, and what is made from them, hold positions."""
    return os.open(path, flags | getattr(os, "O_BINARY", 0), 0o600)


def _remove_left_over(path: Path) -> None:
    """Remove what killed programs left of ``path``."""
    start = f".{path.name}."
    for part in path.parent.iterdir():
        if part.name.startswith(start) and part.suffix == ".part":
            pid = part.name[len(start) : -len(".part")]
            if pid.isdecimal() and not _is_running(int(pid)):
                with suppress(OSError):
                    part.unlink()


def _is_running(pid: int) -> bool:
    if sys.platform == "win32":  # no need to know: a file that is open cannot be removed there
        return False
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:  # somebody else's
        return True
    return True
