"""Runs tests in a fork of a process that has the heavy libraries loaded, with a limit on time and memory."""

from __future__ import annotations

import importlib
import json
import os
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

MEMORY = 6 * 2**30
_HEAVY = (
    "numpy pyarrow pyarrow.csv pyarrow.parquet asyncio sqlite_utils shapely pynmea2 serial can cantools bleak"
    " canmatrix pymodbus.client pymodbus.server geographiclib.geodesic textual.app plotext hypothesis"
    " hypothesis.strategies pytest_asyncio pytest_timeout scipy.stats scipy.optimize nmea2000 jsonschema crccheck.crc"
)


def load_libraries() -> None:
    """Import what the tests need from outside the project, once for all forks."""
    for name in _HEAVY.split():
        try:
            importlib.import_module(name)
        except ImportError as trouble:  # its tests will say so
            print(f"not loaded: {trouble}", file=sys.stderr)


def in_fork(work: Callable[[], Any], limit_s: float, log: Path) -> Any:
    """Run ``work`` in a fork and return what it returned; None where it had to be stopped or died.

    Args:
        work: gives something that JSON can carry.
        limit_s: seconds of wall-clock time it may take; then it is killed, with all that it started.
        log: a file for what it prints.
    """
    read, write = os.pipe()
    pid = os.fork()
    if not pid:
        os.close(read)
        _be_child(work, write, log)
    os.close(write)
    try:
        return _answer(read, time.monotonic() + limit_s)
    finally:
        os.close(read)
        try:
            os.killpg(pid, signal.SIGKILL)
        except ProcessLookupError:
            os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)


def _be_child(work: Callable[[], Any], write: int, log: Path) -> None:
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        target = os.open(log, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
        for stream in (1, 2):
            os.dup2(target, stream)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        answer = json.dumps(work()).encode()
        with os.fdopen(write, "wb") as pipe:
            pipe.write(answer + b"\n")
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(0)


def _answer(read: int, until: float) -> Any:
    os.set_blocking(read, False)
    parts: list[bytes] = []
    while time.monotonic() < until:
        try:
            part = os.read(read, 1 << 16)
        except BlockingIOError:
            time.sleep(0.02)
            continue
        if not part:
            break
        parts.append(part)
    text = b"".join(parts)
    return json.loads(text) if text.endswith(b"\n") else None


class Chosen:
    """A plugin of pytest: runs only some tests, in a given order, and notes how each ended and how long it took."""

    def __init__(self, tests: Iterable[str] | None = None) -> None:
        self._order = None if tests is None else {name: place for place, name in enumerate(tests)}
        self.seconds: dict[str, float] = {}
        self.failed: list[str] = []

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if self._order is not None:
            order = self._order
            items[:] = sorted((item for item in items if item.nodeid in order), key=lambda item: order[item.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed:
            self.failed.append(report.nodeid)


def run_tests(files: Iterable[str], plugins: list[object]) -> int:
    """Run the tests of ``files`` in this process, up to the first that fails."""
    # Plain asserts fail as well, and nothing is rewritten; so it does not matter what is loaded already.
    arguments = ["-q", "--assert=plain", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:faulthandler"]
    return int(pytest.main([*arguments, *files], plugins=plugins))
