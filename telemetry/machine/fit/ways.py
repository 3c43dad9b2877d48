"""The two ways of the current, to the controller and from the charger, and what is stated and assumed of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from telemetry.machine.conductors import Ampacity, ampacity, stated_conductor
from telemetry.machine.fit.loads import Current, continuous_current
from telemetry.machine.sections import Machine, Wiring

Way = Literal["wiring", "charge_wiring"]
WAY_WORDS: dict[Way, str] = {"wiring": "the way to the controller", "charge_wiring": "the way from the charger"}
LOWEST_INSULATION_C, HIGHEST_INSULATION_C = 60, 90


def wiring_of(machine: Machine, way: Way) -> Wiring:
    """Return what the file states of a way."""
    return machine.wiring if way == "wiring" else machine.charge_wiring


def current_of(machine: Machine, way: Way) -> Current | None:
    """Return the current that flows that way for hours; None where the file does not say."""
    if way == "wiring":
        return continuous_current(machine)
    amperes = machine.charger.output_current_a
    return None if amperes is None else Current(amperes, f"{amperes:g} A of the charger")


def current_key(way: Way) -> tuple[str, str]:
    """Return the key that would state that current."""
    return ("machine", "continuous_current_a") if way == "wiring" else ("charger", "output_current_a")


def size_note(way: Way) -> str:
    """Return the other key that states a conductor's size, as a sentence."""
    return f"Or [{way}] conductor_awg, where the print gives a gauge."


@dataclass(frozen=True, slots=True)
class Carries:
    """What a way's conductor carries: by the stated insulation, else between the worst and the best there is.

    Attributes:
        least, most: the same where the insulation is stated.
        assumed: what was taken for granted, a sentence, or empty.

    """

    least: Ampacity
    most: Ampacity
    assumed: str


def carries_of(wiring: Wiring) -> Carries | None:
    """Return what the conductor carries, or None where none is stated.

    Raises:
        BeyondTable: it is outside the tables.

    """
    conductor = stated_conductor(wiring)
    if conductor is None:
        return None
    ambient = 30.0 if wiring.ambient_c is None else wiring.ambient_c
    bundled = 2 if wiring.bundled_conductors is None else wiring.bundled_conductors
    columns = [wiring.insulation_c] * 2 if wiring.insulation_c else [LOWEST_INSULATION_C, HIGHEST_INSULATION_C]
    least, most = (ampacity(conductor, column, ambient, bundled) for column in columns)
    taken = []
    if not wiring.insulation_c:
        taken.append(f"insulation as the poorest, {LOWEST_INSULATION_C} °C")
    if wiring.ambient_c is None:
        taken.append("ambient as 30 °C")
    if wiring.bundled_conductors is None:
        taken.append("at most three conductors together")
    return Carries(least, most, f" Taken, as not stated: {', '.join(taken)}." if taken else "")
