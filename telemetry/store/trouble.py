"""What SQLite and the system say when the store fails, turned into one sentence with its remedy."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeGuard

from telemetry.model.errors import StoreError, printable

_FULL = "the disk is full, so the store {file} cannot grow; free some space"
_READ_ONLY = "the store {file} is read-only; make the file and its folder writable, or name another file"

# Primary result codes, https://www.sqlite.org/rescode.html
_BY_CODE = {
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_PERM: _READ_ONLY,
    sqlite3.SQLITE_BUSY: "the store {file} is held by another program; close that program or wait for it",
    sqlite3.SQLITE_LOCKED: "the store {file} is held by another program; close that program or wait for it",
    sqlite3.SQLITE_NOTADB: "{file} is not a database; name another file for the store",
    sqlite3.SQLITE_CORRUPT: (
        "the store {file} is damaged ({why}); to save what can be read: shakedown repair {file}; to record now,"
        " name a new file with --store"
    ),
    sqlite3.SQLITE_CANTOPEN: "the store {file} cannot be opened; see that its folder exists and is writable",
    sqlite3.SQLITE_IOERR: "the store {file} cannot be read or written ({why}); check the disk and its free space",
}
_BY_ERRNO = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EACCES: _READ_ONLY,
    errno.EPERM: _READ_ONLY,
    errno.EROFS: _READ_ONLY,
}


def file_text(path: Path) -> str:
    """Return the store's path as it stands in a sentence."""
    return printable(path, 200)


def result_code(error: sqlite3.Error) -> int:
    """Return SQLite's primary result code, without its extended part; 0 where the error has none."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def is_trouble(error: BaseException) -> TypeGuard[sqlite3.Error | OSError]:
    """Tell whether ``error`` comes from the disk, the file or another program; else it is a mistake of ours."""
    return isinstance(error, OSError) or (isinstance(error, sqlite3.Error) and result_code(error) in _BY_CODE)


def is_damage(error: BaseException) -> TypeGuard[sqlite3.Error]:
    """Tell whether SQLite says that the file is damaged."""
    damage = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return isinstance(error, sqlite3.Error) and result_code(error) in damage


def store_error(path: Path, error: sqlite3.Error | OSError) -> StoreError:
    """Return the sentence for ``error``, which befell the store at ``path``."""
    if isinstance(error, sqlite3.Error):
        pattern = _BY_CODE.get(result_code(error))
    else:
        pattern = _BY_ERRNO.get(error.errno or 0)
    why = printable(error, 120)
    if pattern is None:
        pattern = "the store {file} failed ({why}); see that file and folder are sound, or name another file"
    return StoreError(pattern.format(file=file_text(path), why=why))


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn whatever goes wrong while the store at ``path`` is read into one sentence.

    A page that was changed by the disk or by somebody else shows itself as values of the wrong kind, not only by what
    SQLite finds; so those count as damage too.

    Raises:
        StoreError: the store cannot be read, or holds what this program never wrote.

    """
    try:
        yield
    except sqlite3.Error as error:
        raise store_error(path, error) from error
    except (ArithmeticError, AttributeError, LookupError, MemoryError, TypeError, ValueError) as error:
        why = f"it holds what this program never wrote: {printable(error, 100)}"
        raise damaged(path, why) from error


def damaged(path: Path, why: str) -> StoreError:
    """Return the sentence for a store that is damaged, and how."""
    return StoreError(_BY_CODE[sqlite3.SQLITE_CORRUPT].format(file=file_text(path), why=printable(why, 200)))
