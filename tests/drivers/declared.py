"""What is wrong with a source's own keys, as the registry asks it of a driver."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from telemetry.model.errors import Problem
from telemetry.model.tables import read_table


def problems_of(driver: Any, settings: Mapping[str, Any]) -> list[Problem]:
    return read_table(driver.table, settings)[1]
