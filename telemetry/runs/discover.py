"""What is in reach: asks each driver that can look, and gives its finds as ready-made source tables."""

from __future__ import annotations

import asyncio
import json
import logging
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from telemetry.driver import Asks, Discovers, Heard, Listening, Tries
from telemetry.model.capture import CaptureWriter
from telemetry.model.errors import ShakedownError, printable
from telemetry.model.signals import find_signal
from telemetry.pipeline.registry import driver_names, load_driver

LIMIT_S = 12.0
MOST_VALUES = 8
"""Sample values shown of each place; ours."""


async def look_with(name: str) -> tuple[list[dict[str, Any]], str]:
    """Return a driver's finds, or none and the reason."""
    try:
        driver = load_driver(name)
        if not isinstance(driver, Discovers):
            return [], ""
        async with asyncio.timeout(LIMIT_S):
            return [{"driver": name, **found} for found in await driver.discover()], ""
    except TimeoutError:
        return [], f"{name}: nothing answered within {LIMIT_S:.0f} s"
    except ShakedownError as error:
        return [], f"{name}: {error}"


def sources_in_reach() -> tuple[list[dict[str, Any]], list[str]]:
    """Return the ``[[source]]`` settings of everything found, and a sentence for each driver that could not look."""

    async def look() -> list[tuple[list[dict[str, Any]], str]]:
        return await asyncio.gather(*(look_with(name) for name in driver_names()))

    # a library that asks for adapters logs a line for each kind that is not installed: no news to anyone here
    logging.getLogger().addHandler(logging.NullHandler())
    found = asyncio.run(look())
    return [source for sources, _ in found for source in sources], [why for _, why in found if why]


def heard_in_reach(how: Listening) -> tuple[list[Heard], list[str]]:
    """Listen everywhere; return what speaks, and why a driver could not listen."""

    async def listen(name: str) -> tuple[list[Heard], str]:
        try:
            driver = load_driver(name)
            return (await driver.tried(how), "") if isinstance(driver, Tries) else ([], "")
        except ShakedownError as error:
            return [], f"{name}: {error}"

    async def listen_with_all() -> list[tuple[list[Heard], str]]:
        return await asyncio.gather(*(listen(name) for name in driver_names()))

    logging.getLogger().addHandler(logging.NullHandler())
    found = asyncio.run(listen_with_all())
    return [heard for each, _ in found for heard in each], [why for _, why in found if why]


def answered_at(places: Sequence[str]) -> list[Heard]:
    """Ask at the places that the owner named; return what answers."""

    async def ask() -> list[list[Heard]]:
        drivers = [load_driver(name) for name in driver_names()]
        return await asyncio.gather(*(driver.asked(places) for driver in drivers if isinstance(driver, Asks)))

    return [heard for each in asyncio.run(ask()) for heard in each]


def keep_heard(found: Sequence[Heard], path: Path) -> None:
    """Write the bytes that were kept as a capture.

    Raises:
        FileExistsError: there is such a file.

    """
    pieces = sorted((piece for heard in found for piece in heard.kept), key=lambda piece: piece.t)
    with path.open("x", encoding="ascii") as file:
        writer = CaptureWriter(file, pieces[0].t if pieces else 0)
        for piece in pieces:
            writer.write(piece)


def heard_lines(found: Sequence[Heard]) -> list[str]:
    """Return what speaks where, with sample values as comments and a source to paste where one is known."""
    lines: list[str] = []
    for heard in found:
        lines.append(f"# {printable(heard.place, 80)}: {printable(heard.speaks, 300)}")
        lines += [f"#     {amount_line(signal, value)}" for signal, value in list(heard.values.items())[:MOST_VALUES]]
        more = len(heard.values) - MOST_VALUES
        lines += [f"#     and {more} more"] if more > 0 else []
        lines += source_lines([dict(heard.settings)]) if heard.settings else [""]
    return lines


def amount_line(signal: str, value: float) -> str:
    """Return a value as it is read: ``pack_voltage = 51.47 V``."""
    known = find_signal(signal)
    return f"{signal} = {value:.6g} {known.unit if known else ''}".rstrip()


def source_lines(sources: list[dict[str, Any]]) -> list[str]:
    """Return the finds as TOML to paste into a machine file, those of one port together; remarks as comments.

    What a port speaks is not known without listening: it is there once for each driver that could read it.
    """
    lines: list[str] = []
    drivers = Counter(str(source.get("port", "")) for source in sources)
    told: set[str] = set()
    for source in sorted(sources, key=lambda source: str(source.get("port", ""))):
        port = str(source.get("port", ""))
        if port and drivers[port] > 1 and port not in told:
            told.add(port)
            shown = printable(port, 200)
            lines += [f"# {shown}: one device, so keep one of these {drivers[port]}. What speaks there:"]
            lines += [f"# shakedown sources --try {shown}"]
        lines += ["[[source]]"]
        for key, value in source.items():
            shown = printable(json.dumps(value, ensure_ascii=True), 200)
            lines.append(f"# {shown}" if key == "seems" else f"{key} = {shown}")
        lines.append("")
    return lines
