from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from telemetry.store.writer import StoreWriter

ROOT = Path(__file__).parents[2]
START = 1_700_000_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "sessions.sqlite3"


@pytest.fixture
def begin() -> Callable[..., int]:
    """Begin a session with everything a test does not care about filled in."""

    def run(writer: StoreWriter, **other: Any) -> int:
        stated = {
            "machine": "market cart",
            "machine_text": None,
            "origin": "live",
            "time_basis": "absolute",
            "started": START,
            "start": START,
        }
        return writer.begin_session(**(stated | other))

    return run


@pytest.fixture
def child() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start Python on a text of code, in a process of its own that can import the project."""
    started: list[subprocess.Popen[str]] = []

    def run(code: str, *arguments: object, **options: Any) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-W", "error", "-c", code, *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            **options,
        )
        started.append(process)
        return process

    yield run
    for process in started:
        process.kill()
        process.communicate()
