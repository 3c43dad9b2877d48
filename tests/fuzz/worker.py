"""Tries inputs in a fork, so that one that kills the process, or takes all memory or time, ends nothing else."""

from __future__ import annotations

import json
import logging
import mmap
import os
import resource
import signal
import struct
import sys
import time
import traceback
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .target import Target

CPU_S = 1.0
MEMORY = 200_000_000
_HEADROOM = 1_500_000_000
"""Address space above what the process has: far more than allowed, so that the peak shows what was really used."""
_STUCK_S = 120.0


class TooLong(BaseException):
    """The input has taken more processor time than allowed; not an Exception, so that no reader handles it."""


@dataclass
class Outcome:
    """What came of some inputs of one target.

    Attributes:
        done: inputs tried.
        seconds: processor time for all.
        slowest: processor time for one, the most, seconds.
        memory: what the process grew by at its peak, bytes.
        failures: number of the input, and what was wrong.

    """

    done: int = 0
    seconds: float = 0.0
    slowest: float = 0.0
    memory: int = 0
    failures: list[tuple[int, str]] = field(default_factory=list)


def try_inputs(target: Target, seed: int, first: int, count: int) -> Outcome:
    """Try the inputs numbered from ``first``; a fork that dies is replaced, and the input it died of reported."""
    outcome, number, stop = Outcome(), first, first + count
    while number < stop:
        for answer in _fork(target, seed, number, stop):
            outcome.seconds += answer["seconds"]
            outcome.slowest = max(outcome.slowest, answer["slowest"])
            outcome.memory = max(outcome.memory, answer["memory"])
            outcome.failures += [(int(n), what) for n, what in answer["failures"]]
            outcome.done += answer["next"] - number
            number = answer["next"]
    return outcome


def try_data(target: Target, data: bytes) -> str | None:
    """Try one input in a fork; return what is wrong, None where nothing is."""
    alone = Target(target.name, "", 1, target.run, list, lambda rng, _: data, target.may_refuse, [b""])
    failures = try_inputs(alone, 0, 0, 1).failures
    return failures[0][1] if failures else None


def _fork(target: Target, seed: int, first: int, stop: int) -> Iterator[dict[str, Any]]:
    shared = mmap.mmap(-1, 8)
    shared[:] = struct.pack("q", first)
    read, write = os.pipe()
    pid = os.fork()
    if not pid:
        os.close(read)
        _child(target, seed, first, stop, shared, write)
    os.close(write)
    why = _watch(pid, read, shared)
    with os.fdopen(read, "rb") as pipe:
        text = pipe.read()
    if text.endswith(b"\n"):
        yield json.loads(text)
        return
    number = struct.unpack("q", shared[:])[0]
    nothing = {"seconds": 0.0, "slowest": 0.0, "memory": 0}
    yield nothing | {"failures": [(number, f"the process died: {why}")], "next": number + 1}


def _watch(pid: int, read: int, shared: mmap.mmap) -> str:
    """Wait until the fork has ended; stop it where one input holds it up. Return how it ended."""
    at, since = shared[:], time.monotonic()
    while True:
        ended, status = os.waitpid(pid, os.WNOHANG)
        if ended:
            return f"signal {status & 127}" if status & 127 else f"exit status {status >> 8}"
        if shared[:] != at:
            at, since = shared[:], time.monotonic()
        elif time.monotonic() - since > _STUCK_S:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            return f"stopped, over {_STUCK_S:.0f} s on one input"
        time.sleep(0.005)


def _child(target: Target, seed: int, first: int, stop: int, shared: mmap.mmap, write: int) -> None:
    try:
        size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (size + _HEADROOM, size + _HEADROOM))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        logging.disable(logging.CRITICAL)
        warnings.simplefilter("ignore")
        answer = _try_all(target, seed, first, stop, shared)
        os.write(write, json.dumps(answer).encode() + b"\n")
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(3)
    os._exit(0)


def _try_all(target: Target, seed: int, first: int, stop: int, shared: mmap.mmap) -> dict[str, Any]:
    begun = time.process_time()
    is_trying = False

    def look(*_: object) -> None:
        nonlocal is_trying
        if is_trying and time.process_time() - begun > CPU_S:
            is_trying = False
            raise TooLong

    before = _peak()
    seconds = slowest = 0.0
    memory, failures = 0, []
    signal.signal(signal.SIGPROF, look)
    signal.setitimer(signal.ITIMER_PROF, CPU_S / 4, CPU_S / 4)
    for number in range(first, stop):
        shared[:] = struct.pack("q", number)
        data = target.input(seed, number)
        begun, is_trying = time.process_time(), True
        try:
            wrong = _wrong(target, data)
            is_trying = False
        except TooLong:
            wrong = f"over {CPU_S:.0f} s of processor time"
        took = time.process_time() - begun
        seconds, slowest = seconds + took, max(slowest, took)
        memory = _peak() - before
        if memory > MEMORY:
            wrong = f"{memory / 1e6:.0f} MB of memory" + (f"; {wrong}" if wrong else "")
        if wrong:
            failures.append((number, wrong))
        if memory > MEMORY or len(failures) > 50:
            stop = number + 1
            break
    signal.setitimer(signal.ITIMER_PROF, 0)
    return {"seconds": seconds, "slowest": slowest, "memory": memory, "failures": failures, "next": stop}


def _wrong(target: Target, data: bytes) -> str | None:
    try:
        target.try_input(data)
    except Exception as error:
        here = [frame for frame in traceback.extract_tb(error.__traceback__) if "/tests/fuzz/" not in frame.filename]
        where = " < ".join(f"{Path(f.filename).name}:{f.lineno}" for f in reversed(here[-3:]))
        return f"{type(error).__name__}: {str(error)[:200]!r} at {where or 'the check'}"
    return None


def _peak() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
