"""The lock a running session holds, so that no other process takes it for one whose program was killed.

It is a lock of the operating system on a small file beside the store; the system lets go of it however the process
ends. Session numbers are never used twice, so the file of a past session can be removed.

The file is also where a session says what is missing of it while the store itself cannot be told, since the disk is
full or another program holds it. Its space is set aside at the beginning.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

from telemetry.store.field_check import checked

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl


_SPACE = 1024


@dataclass(frozen=True, slots=True)
class Unsaved:
    """How many values of a session are not in the store, refused ones included, why, and up to what time."""

    values: int
    why: str
    t: int


class SessionLock:
    """The lock of one session, held until :meth:`release`."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path = path
        self._descriptor: int | None = descriptor
        self._keeps = False

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

    def set_space_aside(self) -> None:
        """Make sure that :meth:`keep` finds room even once the disk is full; OSError where there is none now."""
        assert self._descriptor is not None
        os.write(self._descriptor, b" " * _SPACE)

    def keep(self, unsaved: Unsaved | None) -> None:
        """Keep what is not saved, in place of what was kept before; None for nothing. Best effort."""
        if self._descriptor is None:
            return
        self._keeps = unsaved is not None
        text = b"" if unsaved is None else json.dumps(asdict(unsaved)).encode()[:_SPACE]
        with contextlib.suppress(OSError):
            os.lseek(self._descriptor, 0, os.SEEK_SET)
            os.write(self._descriptor, text.ljust(_SPACE))

    def kept(self) -> Unsaved | None:
        """Return what the session's program kept before it ended; None for nothing, or what is no such text."""
        assert self._descriptor is not None
        os.lseek(self._descriptor, 0, os.SEEK_SET)
        try:
            told = json.loads(os.read(self._descriptor, _SPACE))
            return checked(Unsaved(int(told["values"]), str(told["why"]), int(told["t"])))
        except (ValueError, TypeError, KeyError, OverflowError):
            return None

    def release(self) -> None:
        """Let go, and remove the file unless it keeps something for later; does nothing the second time."""
        if self._descriptor is None:
            return
        if sys.platform == "win32":  # an open file cannot be removed there
            os.close(self._descriptor)
        if not self._keeps:
            with contextlib.suppress(OSError):
                self._path.unlink()
        if sys.platform != "win32":
            os.close(self._descriptor)
        self._descriptor = None
