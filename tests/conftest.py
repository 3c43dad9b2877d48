"""What holds for every test: the developer's own settings stay out, and properties are tried alike everywhere."""

from __future__ import annotations

import os

# Many small systems are solved: several threads for each would wait for one another. Has to come before numpy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import gc
import gzip
import logging
import signal
import time
from collections.abc import Iterator
from itertools import count, islice
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests import made_once

# How fast examples are drawn says how busy the computer is, not whether the code is right.
settings.register_profile("everywhere", deadline=None, max_examples=50, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile(
    "unattended", settings.get_profile("everywhere"), derandomize=True, database=None, print_blob=True
)
settings.load_profile("unattended" if os.environ.get("CI") else "everywhere")

# Five and three quarter hours east, written so that no time zone database is needed: what mixes up local time
# and UTC fails here, on every developer's computer alike.
ODD_ZONE = "XST-5:45"
MOW = Path(__file__).parents[1] / "replay_data" / "orchard-mow.csv.gz"
MOW_ROWS = 6000


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Spare the garbage collector the tests themselves: they stay, and are most of what it would look through."""
    gc.disable()
    yield
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session", autouse=True)
def _shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that is the same for all processes of this run."""
    base = tmp_path_factory.getbasetemp()
    made_once.kept_in = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "made-once"
    made_once.kept_in.mkdir(exist_ok=True)
    return made_once.kept_in


@pytest.fixture(scope="session")
def part_of_mow(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first ten minutes of the mow: enough of a drive where the figures themselves are not the point."""
    path = tmp_path_factory.mktemp("part") / "mow.csv"
    with gzip.open(MOW, "rt", encoding="utf-8") as whole:
        path.write_text("".join(islice(whole, MOW_ROWS + 1)), encoding="utf-8")
    return path


@pytest.fixture(scope="session", autouse=True)
def _interruptible() -> None:
    """Let tests interrupt what they start: a shell tells what runs in the background to ignore Ctrl-C."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session", autouse=True)
def _home(tmp_path_factory: pytest.TempPathFactory, _shared: Path) -> Iterator[None]:
    """Put home, the folders that platforms keep data in, and the time zone out of the developer's reach."""
    home = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        for name in ("HOME", "USERPROFILE", "APPDATA", "LOCALAPPDATA"):
            patch.setenv(name, str(home))
        for name in ("DATA", "CONFIG", "STATE", "CACHE"):
            patch.setenv(f"XDG_{name}_HOME", str(home / name.lower()))
        for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES"):
            patch.delenv(name, raising=False)
        if os.environ.get("PYTHONDONTWRITEBYTECODE"):
            # Whoever wants a clean checkout has one; but processes that tests start need not all compile alike.
            patch.delenv("PYTHONDONTWRITEBYTECODE")
            patch.setenv("PYTHONPYCACHEPREFIX", str(_shared / "bytecode"))
        patch.setenv("TZ", ODD_ZONE)
        _read_zone()
        yield
    _read_zone()


def _read_zone() -> None:
    if hasattr(time, "tzset"):
        time.tzset()


@pytest.fixture(autouse=True)
def _logs() -> Iterator[None]:
    """Undo what a command run in this process does to where our logs go."""
    loggers = [logging.getLogger(name) for name in ("telemetry", "drivers")]
    before = [(logger, logger.propagate, list(logger.handlers)) for logger in loggers]
    yield
    for logger, propagate, handlers in before:
        for handler in set(logger.handlers) - set(handlers):
            handler.close()
        logger.propagate, logger.handlers = propagate, handlers


class _Mistakes(logging.Handler):
    """Collects what the program contains: in a test it is a failure like any other."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.records: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.records.append(f"{record.getMessage()}: {record.exc_info and record.exc_info[1]!r}")


@pytest.fixture(autouse=True)
def _contained(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test in which a part of the program failed and the rest went on, unless it is marked ``mistakes``."""
    mistakes = _Mistakes()
    loggers = [logging.getLogger(f"telemetry.{name}") for name in ("pipeline.part_failure", "store.writing_thread")]
    for logger in loggers:
        logger.addHandler(mistakes)
    yield
    for logger in loggers:
        logger.removeHandler(mistakes)
    assert not mistakes.records or request.node.get_closest_marker("mistakes")


@pytest.fixture(scope="session")
def _stores(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Give names of stores in one folder: a folder for each of thousands of tests takes longer than most of them."""
    folder = tmp_path_factory.mktemp("stores")
    return (folder / f"{number}.sqlite3" for number in count(1))


@pytest.fixture(autouse=True)
def _store(_stores: Iterator[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Give each test a default store of its own."""
    monkeypatch.setenv("SHAKEDOWN_STORE", str(next(_stores)))
