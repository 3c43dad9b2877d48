"""The real program with one of its functions made to fail: ``python -m tests.faults.sabotage`` and its own words.

What fails is said in the environment: ``SABOTAGE`` is ``module:Class.method`` or ``module:function``, which raises
from call number ``SABOTAGE_AT`` on, ``SABOTAGE_TIMES`` times, and puts the time of the first into ``SABOTAGE_FILE``.
"""

from __future__ import annotations

import importlib
import inspect
import os
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any


class OnPurpose(Exception):
    """Raised where a mistake of the program would be."""


def sabotage(what: str, at: int, times: int, file: Path) -> None:
    """Make ``what`` raise."""
    module, _, path = what.partition(":")
    owner: Any = importlib.import_module(module)
    *parents, name = path.split(".")
    for parent in parents:
        owner = getattr(owner, parent)
    real = getattr(owner, name)
    calls = 0

    def strike() -> None:
        nonlocal calls
        calls += 1
        if at <= calls < at + times:
            if not file.exists():
                begun = file.with_suffix(".begun")
                begun.write_text(str(time.time()))
                begun.replace(file)
            raise OnPurpose

    def failing(*given: Any, **named: Any) -> Any:
        strike()
        return real(*given, **named)

    async def failing_items(*given: Any, **named: Any) -> Any:
        async for item in real(*given, **named):
            strike()
            yield item

    setattr(owner, name, failing_items if inspect.isasyncgenfunction(real) else failing)


def variables(what: str, at: int, times: int, file: Path) -> Mapping[str, str]:
    """Return the environment that says what is to fail."""
    return {"SABOTAGE": what, "SABOTAGE_AT": str(at), "SABOTAGE_TIMES": str(times), "SABOTAGE_FILE": str(file)}


if __name__ == "__main__":
    from telemetry.cli import main

    said = os.environ
    sabotage(said["SABOTAGE"], int(said["SABOTAGE_AT"]), int(said["SABOTAGE_TIMES"]), Path(said["SABOTAGE_FILE"]))
    sys.exit(main())
