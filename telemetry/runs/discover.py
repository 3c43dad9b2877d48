"""What is in reach: asks each driver that can look, and gives its finds as ready-made source tables."""

from __future__ import annotations

import asyncio
import json
import logging
from typing import Any

from telemetry.driver import Discovers
from telemetry.model.errors import ShakedownError, printable
from telemetry.pipeline.registry import driver_names, load_driver

LIMIT_S = 12.0


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


def source_lines(sources: list[dict[str, Any]]) -> list[str]:
    """Return the finds as TOML to paste into a machine file; remarks on a find come before it as a comment."""
    lines: list[str] = []
    for source in sources:
        lines += ["[[source]]"]
        for key, value in source.items():
            shown = printable(json.dumps(value, ensure_ascii=True), 200)
            lines.append(f"# {shown}" if key == "seems" else f"{key} = {shown}")
        lines.append("")
    return lines
