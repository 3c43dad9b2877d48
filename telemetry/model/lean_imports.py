"""Import a library without what it loads only because it is installed."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def without(*names: str) -> Iterator[None]:
    """Hide modules that are not loaded yet from what is imported inside, as if they were not installed.

    sqlite-utils loads pandas (70 MB, most of a second) where an extra of ours brought it.
    """
    hidden = [name for name in names if name not in sys.modules]
    sys.modules.update(dict.fromkeys(hidden))  # type: ignore[arg-type]  # None is what Python takes for "not there"
    try:
        yield
    finally:
        for name in hidden:
            del sys.modules[name]
