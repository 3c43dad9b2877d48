"""The lock a running session holds, so that no other process takes it for one whose program was killed.

It is a lock of the operating system on a small file beside the store; the system lets go of it however the process
ends. Session numbers are never used twice, so the file of a past session can be removed.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl


class SessionLock:
    """The lock of one session, held until :meth:`release`."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path = path
        self._descriptor: int | None = descriptor

    @classmethod
    def take(cls, store: Path, session: int) -> SessionLock | None:
        """Return the lock of ``session``, None where another holds it; OSError where the file cannot be made."""
        path = store.with_name(f"{store.name}-session-{session}.lock")
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            if sys.platform == "win32":
                msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            else:
                # Not lockf: its locks belong to the process, so that a second writer in it would not be kept out.
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(descriptor)
            return None
        return cls(path, descriptor)

    def release(self) -> None:
        """Let go and remove the file; does nothing the second time."""
        if self._descriptor is None:
            return
        if sys.platform == "win32":  # an open file cannot be removed there
            os.close(self._descriptor)
        with contextlib.suppress(OSError):
            self._path.unlink()
        if sys.platform != "win32":
            os.close(self._descriptor)
        self._descriptor = None
