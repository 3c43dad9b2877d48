"""What takes seconds to make is made once in a run of the tests, not once in each of its processes."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from typing import ParamSpec, TypeVar

try:
    import fcntl
except ImportError:  # Windows has no such lock: each process makes its own
    fcntl = None  # type: ignore[assignment]

P = ParamSpec("P")
R = TypeVar("R")
kept_in: Path | None = None
"""The folder that all processes of this run share; ``conftest.py`` says which. None outside of a run."""


def made_once(make: Callable[P, R]) -> Callable[P, R]:
    """Keep what ``make`` returns for its arguments, here and for the run's other processes; nobody may change it."""

    @cache
    @wraps(make)
    def found(*words: P.args, **names: P.kwargs) -> R:
        if kept_in is None or fcntl is None:
            return make(*words, **names)
        asked = pickle.dumps((make.__module__, make.__qualname__, words, sorted(names.items())))
        path = kept_in / hashlib.sha256(asked).hexdigest()
        with path.open("ab+") as file:
            fcntl.flock(file, fcntl.LOCK_EX)  # a second process waits here while the first makes it
            file.seek(0)
            if kept := file.read():
                return pickle.loads(kept)
            made = make(*words, **names)
            file.write(pickle.dumps(made))
            return made

    return found
