"""The library that stands between the program and the system (shim.c): made once, steered while the program runs."""

from __future__ import annotations

import mmap
import shutil
import struct
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from types import TracebackType

from tests.faults.fault import NotTried


@cache
def library() -> Path:
    """Compile it; raise NotTried where there is no compiler."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        raise NotTried("no C compiler on this computer")
    made = Path(tempfile.mkdtemp(prefix="faults-shim-")) / "shim.so"
    command = [compiler, "-O1", "-shared", "-fPIC", "-o", str(made), str(Path(__file__).with_name("shim.c"))]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NotTried(f"the C compiler makes no library here: {done.stderr[:100]}")
    return made


class Shim:
    """Steers the program's view of the system; use as a context manager, and start the program with its variables.

    Args:
        folder: where its files go.
        store: the store concerned.
        log: note all that is written and synced, in :attr:`notes`.

    """

    def __init__(self, folder: Path, store: Path, log: bool = False) -> None:
        self.notes = folder / "notes"
        page = folder / "control"
        page.write_bytes(bytes(4096))
        self.variables = {
            "LD_PRELOAD": str(library()),
            "FAULTS_STORE": str(store),
            "FAULTS_CONTROL": str(page),
        } | ({"FAULTS_LOG": str(self.notes)} if log else {})
        with page.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), 4096)

    def __enter__(self) -> Shim:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stall(False)
        self._page.close()

    def move_clock(self, seconds: float) -> None:
        """Set the program's wall clock so much ahead of ours; below zero behind."""
        self._page[0:8] = struct.pack("d", seconds)

    def stall(self, stalls: bool = True) -> None:
        """Let syncs of the store's files wait, or go on."""
        self._page[8:16] = struct.pack("d", float(stalls))
