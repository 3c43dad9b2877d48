"""The real program in a process of its own, and what it says."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

ROOT = Path(__file__).parents[2]
BUSY_S = 120.0
"""How long to wait for anything before the try counts as failed; long, for the machine may be busy."""


def environment(**more: str) -> dict[str, str]:
    """Return the environment for a process that can import the program."""
    return os.environ | {"PYTHONPATH": str(ROOT)} | more


def shakedown(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a command of the program to its end."""
    command = [sys.executable, "-m", "telemetry.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=environment(), timeout=BUSY_S, check=False)


class Watch:
    """``shakedown watch`` without its screen; use as a context manager, which kills what still runs.

    Args:
        machine_file: what to watch.
        store: where to record.
        prefix: a command to run it under.
        module: what to start in its place, with the same words.
        options: of :class:`subprocess.Popen`.

    """

    def __init__(
        self,
        machine_file: Path,
        store: Path,
        *arguments: str,
        prefix: tuple[str, ...] = (),
        module: str = "telemetry.cli",
        variables: Mapping[str, str] | None = None,
        **options: Any,
    ) -> None:
        self.store = store
        folder = machine_file.parent
        self.out, self.errors = folder / "out.txt", folder / "errors.txt"
        words = ["watch", str(machine_file), "--yes", "--no-screen", "--json", "--silent", "--store", str(store)]
        with self.out.open("w") as out, self.errors.open("w") as errors:
            self.process = subprocess.Popen(
                [*prefix, sys.executable, "-m", module, *words, *arguments],
                stdout=options.pop("stdout", out),
                stderr=options.pop("stderr", errors),
                stdin=options.pop("stdin", subprocess.DEVNULL),
                env=environment(XDG_STATE_HOME=str(folder), **(variables or {})),
                **options,
            )

        self._waited: deque[tuple[float, dict[str, float]]] = deque(maxlen=1000)
        threading.Thread(target=self._observe, daemon=True).start()

    def __enter__(self) -> Watch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.process.kill()
        self.process.wait()

    def starved_s(self, until: float | None = None) -> float:
        """Return how long a thread of it waited for a processor in the 2 s before ``until``, now if None, s.

        That of the thread that waited longest. A value that the program had no processor to read or write is no fault
        of its own. Linux tells; elsewhere 0.
        """
        seen = [(t, waited) for t, waited in [*self._waited] if until is None or t <= until]
        if not seen:
            return 0.0
        at, now = seen[-1]
        before = next(waited for t, waited in seen if t >= at - 2.0)
        return max((waited - before.get(thread, waited) for thread, waited in now.items()), default=0.0)

    def _observe(self) -> None:
        """Keep what each of its threads waited so far (/proc/PID/task/*/schedstat, second field, ns)."""
        while self.process.returncode is None:
            waited = {}
            for task in Path(f"/proc/{self.process.pid}/task").glob("*"):
                with suppress(OSError, IndexError, ValueError):
                    waited[task.name] = int((task / "schedstat").read_text().split()[1]) / 1e9
            if waited:
                self._waited.append((time.time(), waited))
            time.sleep(0.1)

    def told(self) -> list[dict[str, Any]]:
        """Return the events and the summary it printed so far."""
        return [json.loads(line) for line in self.out.read_text().splitlines(keepends=True) if line.endswith("\n")]

    def wait_for(self, condition: Callable[[], object], what: str) -> float:
        """Wait until ``condition`` holds, and return the time then, by ``time.time()``; fail where it ends before."""
        give_up = time.monotonic() + BUSY_S
        while not condition():
            assert self.process.poll() is None, f"ended while waiting for {what}: {self.errors.read_text()[-500:]}"
            assert time.monotonic() < give_up, f"waited in vain for {what}: {self.out.read_text()[-500:]}"
            time.sleep(0.02)
        return time.time()

    def wait_for_link(self) -> float:
        """Wait until values arrive; return the time then."""
        live = {"kind": "link", "state": "live"}
        return self.wait_for(lambda: any(live.items() <= each.items() for each in self.told()), "the link")

    def saving(self) -> list[bool]:
        """Return what it said of whether it saves, each time that it changed."""
        return [each["saving"] for each in self.told() if each["kind"] == "saving"]

    def end(self) -> tuple[int, dict[str, Any]]:
        """End it as Ctrl-C does; return its exit status and its summary."""
        self.process.terminate()
        return self.wait()

    def wait(self) -> tuple[int, dict[str, Any]]:
        """Wait for its end; return its exit status and its summary."""
        status = self.process.wait(BUSY_S)
        errors = self.errors.read_text()
        assert "Traceback" not in errors, errors[-1000:]
        told = self.told()
        assert told, f"it printed nothing: {errors[-500:]}"
        assert told[-1]["kind"] == "summary", f"no summary: {errors[-500:]}"
        return status, told[-1]
