"""Finds out what the first screen shows, in a thread of its own: files and store first, then ports, then radio.

Nothing is sent to any device. A link whose driver only listens is opened for three seconds, to see whether anything
comes, unless a run is being recorded.
"""

from __future__ import annotations

import asyncio
import logging
import os
import threading
import tomllib
from contextlib import aclosing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, cast

from telemetry.runs.start_lines import PLACES, LinkHere, MachineHere, Seen, facts_of
from telemetry.screen.start_facts import StartFacts

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator

LISTEN_S = 3.0
MOST_MACHINES = 3


class Survey:
    """Looks round; :attr:`facts` are as far as it has come.

    Args:
        folder: where machine files are looked for.
        store: where sessions are.

    """

    def __init__(self, folder: Path, store: Path) -> None:
        self._folder, self._store = folder, store
        self._seen = Seen(store)
        self.facts = StartFacts()

    def start(self) -> None:
        """Begin; what goes wrong on the way is left out of the facts, and goes to the log."""
        threading.Thread(target=self.run, daemon=True).start()

    def run(self) -> None:
        """Look round to the end."""
        for step in (self._read_store, self._read_files, self._look):
            try:
                step()
            except Exception:
                logging.getLogger(__name__).exception("the first screen could not find out all")
            self._tell()
        self._seen.is_looking = False
        self._tell()

    def _tell(self) -> None:
        """Put the facts together as far as they are known."""
        self.facts = facts_of(self._seen)

    # What is on the disk

    def _read_store(self) -> None:
        from telemetry.runs.program import program_version
        from telemetry.store.outcomes import kept_outcomes
        from telemetry.store.reader import StoreReader

        if not self._store.exists():
            return
        with StoreReader.open(self._store) as reader:
            self._seen.records = reader.sessions()
        self._seen.outcomes = kept_outcomes(self._store, program_version())

    def _read_files(self) -> None:
        from functools import partial

        from telemetry.machine.machine_file import load_machine
        from telemetry.model.errors import ShakedownError
        from telemetry.pipeline.registry import check_settings

        latest = next((record.machine for record in reversed(self._seen.records)), None)
        for path in _machine_files(self._folder):
            try:
                machine = load_machine(path, partial(check_settings, folder=path.parent))
                links = [LinkHere(source) for source in machine.sources]
                self._seen.files.append(MachineHere(path, machine, links=links))
            except (ShakedownError, OSError) as error:
                self._seen.files.append(MachineHere(path, None, str(error).partition("\n")[0]))
        self._seen.files.sort(key=lambda file: file.machine is None or file.machine.name != latest)
        self._seen.files = self._seen.files[:MOST_MACHINES]

    # What is in reach

    def _look(self) -> None:
        from telemetry.pipeline.registry import driver_names

        logging.getLogger().addHandler(logging.NullHandler())

        async def look() -> None:
            await asyncio.gather(*(self._look_by(name) for name in driver_names()))
            if not any(record.ended is None for record in self._seen.records):
                links = [link for file in self._seen.files for link in file.links if link.state == "in reach"]
                await asyncio.gather(*(self._listen(link) for link in links))

        asyncio.run(look())

    async def _look_by(self, driver: str) -> None:
        from telemetry.runs.discover import look_with

        found, why_not = await look_with(driver)
        self._seen.found[driver] = found
        places = {str(each[key]) for each in found for key in PLACES if key in each}
        for link in (link for file in self._seen.files for link in file.links):
            if link.source.driver != driver or not link.place or why_not or "host" in link.source.settings:
                continue
            is_there = link.place in places or os.path.exists(link.place)  # noqa: ASYNC240, PTH110
            link.state = "in reach" if is_there else "gone"
        self._tell()

    async def _listen(self, link: LinkHere) -> None:
        """Open the link of a driver that only listens, and see whether a row comes."""
        from telemetry.driver import DriverContext, OnlyListens, Sends
        from telemetry.model.batch import Batch
        from telemetry.model.clock import SystemClock
        from telemetry.model.errors import ShakedownError
        from telemetry.pipeline.registry import load_driver, with_paths

        source = link.source
        cls = load_driver(source.driver)
        settings = with_paths(source.driver, source.settings_for_driver, self._folder)
        if not isinstance(cls, OnlyListens) or (isinstance(cls, Sends) and cls.requests(settings)):
            return
        driver = cls(DriverContext(source.name, settings, SystemClock()))
        try:
            async with asyncio.timeout(LISTEN_S):
                await driver.open()
                async with aclosing(cast("AsyncGenerator[object, None]", driver.readings())) as items:
                    async for item in items:
                        if isinstance(item, Batch) and len(item):
                            link.state = "answers"
                            break
        except TimeoutError:
            link.state = "silent"
        except ShakedownError as error:
            link.state = f"does not open: {error}"
        finally:
            with suppress(Exception):
                await driver.close()
        self._tell()


def _machine_files(folder: Path) -> list[Path]:
    """Return the files of ``folder`` that look like machine files, the latest change first."""
    found = []
    for path in folder.glob("*.toml"):
        with suppress(OSError, ValueError):  # a broken one is told of by its reader, where it is one of ours
            text = path.read_text("utf-8")
            try:
                is_ours = "pack" in tomllib.loads(text)
            except tomllib.TOMLDecodeError:
                is_ours = "[pack]" in text
            if is_ours:
                found.append((path.stat().st_mtime, path))
    return [path for _, path in sorted(found, reverse=True)]
