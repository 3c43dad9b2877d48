"""Kinds of pack: chemistry, temperature and course, with cells from the program's simulator or from PyBaMM's sets."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from functools import cache, partial

from tests.calibration.case import Case, Kind
from tests.calibration.course import driving
from tests.calibration.packs import CHEMISTRIES, FAULTS, MAKERS, draw_pack

EMPTYING_FAULTS = ("none", "low-capacity", "low-charge", "low-charge", "low-charge")
"""Of packs that are driven until a cell is empty: mostly one that ends the drive before the others are near it."""
CELSIUS = (0.0, 10.0, 25.0, 40.0)
STEP_S = 1.0
_TO_EMPTY_MIN = 400.0
_COURSES = {
    "drive": 4,
    "charge-then-drive": 5,
    "drive-then-charge": 6,
    "charge-then-empty": 7,
    "drive-to-empty": 8,
    "drive-to-empty-then-charge": 9,
}
"""What is drawn by, besides the seed."""


def draw(source: str, chemistry: str, celsius: float, course: str, name: str, every_s: float, seed: int) -> Case:
    """Return the case of one seed."""
    to_empty = course.startswith("drive-to-empty")
    share = (0.3, 0.7 if course.startswith("charge") else 1.0)
    drawn = draw_pack(
        seed, _COURSES[course], (source, chemistry, celsius), share, EMPTYING_FAULTS if to_empty else FAULTS
    )
    random, stated, step_s = drawn.random, drawn.pack.capacity_ah, min(every_s, STEP_S)
    session = drawn.session(step_s)
    minutes = float(random.uniform(40, 120))
    rate_c = float(random.uniform(0.2, 0.5))
    if course.startswith("charge"):
        session.rest(120.0)
        session.charge(rate_c)
        session.rest(float(random.uniform(200, 1200)))
    session.drive(driving(_TO_EMPTY_MIN if to_empty else minutes, stated, step_s, random))
    if course == "charge-then-empty":
        session.drive(driving(_TO_EMPTY_MIN, stated, step_s, random))
        session.rest(3600.0)
    if course.endswith("-then-charge"):
        session.rest(float(random.uniform(60, 1200)))
        session.charge(rate_c)
        session.rest(400.0)
    return drawn.case(name, session.finished(), every_s)


@cache
def kind(source: str, chemistry: str, celsius: float, course: str, every_s: float = 1.0) -> Kind:
    """Return a kind of pack; rows are ``every_s`` seconds apart."""
    name = f"{chemistry}, {celsius:g} °C, {source}" + ("" if course == "drive" else f", {course}")
    return Kind(
        name, source, chemistry, celsius, course, partial(draw, source, chemistry, celsius, course, name, every_s)
    )


def kinds(*courses: str, chemistry: str | None = None, every_s: float = 1.0) -> tuple[Kind, ...]:
    """Return the kinds of every source and temperature, for some courses, of one chemistry or of both."""
    chemistries = CHEMISTRIES if chemistry is None else (chemistry,)
    every = itertools.product(chemistries, CELSIUS, courses, MAKERS)
    return tuple(kind(source, which, celsius, course, every_s) for which, celsius, course, source in every)


def drives(draw: Callable[[tuple[str, str, float], str, int], Case], *also: str) -> tuple[Kind, ...]:
    """Return the kinds of every source, chemistry and temperature; ``draw`` gets these, the name and a seed.

    Args:
        draw: returns the case of one seed.
        also: further parts of the name.
    """
    found = []
    for chemistry, celsius, source in itertools.product(CHEMISTRIES, CELSIUS, MAKERS):
        name = ", ".join([chemistry, f"{celsius:g} °C", source, *also])
        drawn = partial(draw, (source, chemistry, celsius), name)
        found.append(Kind(name, source, chemistry, celsius, "drive", drawn))
    return tuple(found)
