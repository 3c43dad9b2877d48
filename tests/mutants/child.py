"""Runs tests in a fork of a process that has the heavy libraries loaded, with a limit on time and memory."""

from __future__ import annotations

import ctypes
import importlib
import json
import math
import os
import resource
import select
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

MEMORY = 6 * 2**30
_PR_SET_PDEATHSIG = 1
SLACK = 2.0
"""How many times as long as measured a test may take."""
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


def in_fork(work: Callable[[], Any], limit_s: float, log: Path | None = None) -> Any:
    """Run ``work`` in a fork and return what it returned; None where it had to be stopped or died.

    Args:
        work: gives something that JSON can carry.
        limit_s: seconds of wall-clock time it may take; then it is killed, with all that it started.
        log: a file for what it prints; without it, that goes where ours goes.
    """
    read, write = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if not pid:
        os.close(read)
        _be_child(work, write, log)
    os.close(write)
    try:
        return _answer(read, time.monotonic() + limit_s)
    finally:
        os.close(read)
        for kill in (os.killpg, os.kill):
            try:
                kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        os.waitpid(pid, 0)


def _be_child(work: Callable[[], Any], write: int, log: Path | None) -> None:
    try:
        os.setsid()
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        if sys.platform == "linux":
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)  # ends with whoever started it
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        if log is not None:
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
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(0)


def _answer(read: int, until: float) -> Any:
    parts: list[bytes] = []
    while select.select([read], [], [], max(0.0, until - time.monotonic()))[0]:
        part = os.read(read, 1 << 16)
        if not part:
            break
        parts.append(part)
    text = b"".join(parts)
    return json.loads(text) if text.endswith(b"\n") else None


class Outcome:
    """A plugin of pytest: notes how each test ended and how long it took."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.failed: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed:
            self.failed.append(report.nodeid)


class InsteadOfRunning:
    """A plugin of pytest: when the tests are collected, calls ``work`` with them and runs none itself."""

    def __init__(self, work: Callable[[dict[str, pytest.Item]], None]) -> None:
        self._work = work

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self._work({item.nodeid: item for item in session.items})
        return True


def collect(files: Iterable[str], scratch: Path, plugins: list[object]) -> int:
    """Collect the tests of ``files`` and run them as ``plugins`` will have it; temporary files go to ``scratch``."""
    # Plain asserts fail as well, and nothing is rewritten. Nothing is captured, for the forks print to files.
    arguments = ["-q", "-s", "--assert=plain", f"--basetemp={scratch}"]
    arguments += [word for name in ("cacheprovider", "xdist", "faulthandler") for word in ("-p", f"no:{name}")]
    try:
        return int(pytest.main([*arguments, *files], plugins=plugins))
    except Exception:  # what a test left open, found when all is over
        traceback.print_exc()
        return int(pytest.ExitCode.INTERNAL_ERROR)


def first_failure(tests: Sequence[pytest.Item], seconds: Mapping[str, float]) -> str | None:
    """Run collected tests in turn, up to the first that fails, and return its name.

    One that takes far more processor time than its ``seconds`` ends this process: an endless loop, most likely.
    A busy computer does not change that time.
    """
    outcome = Outcome()
    tests[0].config.pluginmanager.register(outcome)
    for test, following in zip(tests, [*tests[1:], None], strict=True):
        used = resource.getrusage(resource.RUSAGE_SELF)
        limit = used.ru_utime + used.ru_stime + SLACK * seconds[test.nodeid] + 4
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(limit), resource.RLIM_INFINITY))
        test.config.hook.pytest_runtest_protocol(item=test, nextitem=following)
        if outcome.failed:
            return outcome.failed[0]
    return None
