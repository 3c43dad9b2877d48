"""Where the store is unless the user says otherwise."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import platformdirs

STORE_VARIABLE = "SHAKEDOWN_STORE"
_FILE_NAME = "sessions.sqlite3"


def default_store_path() -> Path:
    """Return what ``SHAKEDOWN_STORE`` names, else the file in the user's data folder of this platform."""
    named = os.environ.get(STORE_VARIABLE)
    return Path(named).expanduser() if named else own_folder() / _FILE_NAME


def make_folder_if_ours(path: Path) -> None:
    """Make the folder of ``path`` if it is the program's own data folder; any other is the user's to make."""
    if path.parent == own_folder():
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)  # positions are private


def own_folder() -> Path:
    """Return the program's own data folder of this platform; it may not be there yet."""
    return Path(platformdirs.user_data_path("shakedown", appauthor=False))


def free_path(path: Path, first: int = 1) -> Path:
    """Return ``path``, or the first of ``NAME-2``, ``NAME-3`` ... that is not taken; from ``first`` on."""
    names = (path if n == 1 else path.with_name(f"{path.stem}-{n}{path.suffix}") for n in itertools.count(first))
    return next(name for name in names if not name.exists())
