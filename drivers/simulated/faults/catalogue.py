"""All faults by their names."""

from __future__ import annotations

import random
from typing import Final

from ..scenarios import Scenario
from .fault import Fault
from .machine import ControllerFault, MechanicalDragFault, PedalSensorFault, PowerConnectionFault
from .pack import PackTripFault, PackWeakFault

FAULTS: Final[dict[str, type[Fault]]] = {
    kind.cause: kind
    for kind in (
        Fault,
        PedalSensorFault,
        ControllerFault,
        PowerConnectionFault,
        PackWeakFault,
        PackTripFault,
        MechanicalDragFault,
    )
}
"""The causes of trouble, and ``healthy``."""


def fault_of(name: str, seed: int, scenario: Scenario, variant: str | None = None, attempt: int = 0) -> Fault:
    """Return the fault of that name in ``scenario``.

    Args:
        name: one of ``FAULTS``.
        seed, attempt: draw its variant and all its chances.
        scenario: the machine as it should be.
        variant: which kind, instead of drawing it.

    Raises:
        KeyError: there is no such fault, or no such variant of it in this machine.

    """
    kind = FAULTS[name]
    if variant is not None and variant not in kind.possible(scenario):
        raise KeyError(variant)
    return kind(scenario, random.Random(f"{name} {seed} {attempt}"), variant)  # noqa: S311 - a simulation
