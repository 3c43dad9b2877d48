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

from telemetry.model.errors import InputError, printable
from telemetry.model.whole_file import whole_or_not_at_all
from telemetry.pipeline.registry import driver_names, load_driver

SHORT_NAMES = {"can": "can-messages", "position": "satellite-position"}
"""What a link may also be called, by the driver's name."""


def serve(link: str, settings: Mapping[str, Any], *, write: Path | None, as_json: bool, for_s: float | None) -> int:
    """Open the far end of ``link``, say how to watch it, and serve until interrupted or ``for_s`` is over.

    Raises:
        InputError: the driver has no far end, an unknown scenario, a file that cannot be written.
        LinkUnavailable: the far end cannot be opened here.
    """
    link = SHORT_NAMES.get(link, link)
    driver = load_driver(link)
    if not hasattr(driver, "far_end"):
        able = [name for name in driver_names() if hasattr(load_driver(name), "far_end")]
        raise InputError(f"nothing can be simulated behind {printable(link)!r}; there is {', '.join(able)}")
    simulated = load_driver("simulated-machine")
    problems = simulated.check(settings)
    if problems:
        raise InputError("; ".join(str(problem) for problem in problems))
    return asyncio.run(_serve(driver, link, settings, str(simulated.example(settings)), write, as_json, for_s))


async def _serve(
    driver: Any,
    link: str,
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
    async with driver.far_end(settings) as reach:
        _announce(link, reach, machine_file_for(example, link, reach), write, as_json)
        with suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                await stopping.wait()
    return 0


def machine_file_for(example: str, link: str, reach: Mapping[str, Any]) -> str:
    """Return the example machine file with its source replaced by the one that reaches the far end."""
    head = example.split("[[source]]", 1)[0].rstrip()
    keys = "\n".join(f"{key} = {json.dumps(value)}" for key, value in reach.items())
    return f'{head}\n\n[[source]]\ndriver = "{link}"\n{keys}\n'


def _announce(link: str, reach: Mapping[str, Any], text: str, write: Path | None, as_json: bool) -> None:
    if write is not None:
        with whole_or_not_at_all(write, replace=True) as stream:
            stream.write(text.encode())
    where = "\n".join(f"{key}: {value}" for key, value in reach.items() if isinstance(value, str))
    if as_json:
        told = {
            "link": link,
            "settings": dict(reach),
            "machine_file": text,
            "file": None if write is None else str(write),
        }
        sys.stdout.write(json.dumps(told) + "\n")
    elif write is not None:
        sys.stdout.write(f"{where}\nwatch it with: shakedown watch {write}\n")
    else:
        sys.stdout.write(f"{where}\nmachine file to watch it with:\n\n{text}\n")
    sys.stdout.flush()
