"""A simulated machine behind a real link, and the machine file to watch it with."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from telemetry.driver import Simulates
from telemetry.model.errors import InputError, printable
from telemetry.model.toml_text import parse_toml, table_text
from telemetry.model.whole_file import write_whole
from telemetry.pipeline.registry import drivers_that, load_driver
from telemetry.runs.subjects import example_text


def serve(link: str, settings: Mapping[str, Any], *, write: Path | None, as_json: bool, for_s: float | None) -> int:
    """Put a simulated machine behind ``link``, say how to watch it, and serve until interrupted or ``for_s`` is over.

    Raises:
        InputError: the driver can simulate nothing, an unknown scenario, a file that cannot be written.
        LinkUnavailable: the simulated device cannot be opened here.
    """
    name = _named(link)
    return asyncio.run(
        _serve(name, drivers_that(Simulates)[name], settings, example_text(settings), write, as_json, for_s)
    )


def _named(link: str) -> str:
    """Return the driver that ``link`` names, by its name or by a whole word or two of it: ``can``, ``position``."""
    able = drivers_that(Simulates)
    meant = [name for name in able if name == link or f"-{link}-" in f"-{name}-"]
    if link in able or len(meant) == 1:
        return link if link in able else meant[0]
    load_driver(link)  # says what is wrong with a name that is no driver's
    raise InputError(f"nothing can be simulated behind {printable(link)!r}; there is {', '.join(able)}")


async def _serve(
    link: str,
    driver: Simulates,
    settings: Mapping[str, Any],
    example: str,
    write: Path | None,
    as_json: bool,
    for_s: float | None,
) -> int:
    stopping = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(NotImplementedError):
            asyncio.get_running_loop().add_signal_handler(number, stopping.set)
    async with driver.peer(settings) as reach:
        _announce(link, reach, machine_file_for(example, link, reach), write, as_json)
        with suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                await stopping.wait()
    return 0


def machine_file_for(example: str, link: str, reach: Mapping[str, Any]) -> str:
    """Return the example machine file with its source replaced by the one that reaches the simulated device."""
    parts = [
        table_text(f"[{section}]", table) for section, table in parse_toml(example).items() if section != "source"
    ]
    return "\n".join([*parts, table_text("[[source]]", {"driver": link, **reach})])


def _announce(link: str, reach: Mapping[str, Any], text: str, write: Path | None, as_json: bool) -> None:
    if write is not None:
        write_whole(write, text, replace=True)
    where = "\n".join(f"{key}: {value}" for key, value in reach.items() if isinstance(value, str))
    if as_json:
        shown = {
            "link": link,
            "settings": dict(reach),
            "machine_file": text,
            "file": None if write is None else str(write),
        }
        sys.stdout.write(json.dumps(shown) + "\n")
    elif write is not None:
        sys.stdout.write(f"{where}\nwatch it with: shakedown watch {write}\n")
    else:
        sys.stdout.write(f"{where}\nmachine file to watch it with:\n\n{text}\n")
    sys.stdout.flush()
