"""This program as others of its processes see it: how it is run as a command, and its version."""

from __future__ import annotations

import sys
from functools import cache

PROGRAM = (sys.executable, "-m", "telemetry.cli")
"""Words that run it, whatever its entry point is called and wherever that lies."""


@cache
def program_version() -> str:
    """Return the version of this program."""
    from importlib.metadata import version

    return version("shakedown")
