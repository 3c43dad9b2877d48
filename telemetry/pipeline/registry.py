"""Finds drivers by entry point, without importing any but the one asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, TypeVar, cast

from telemetry.driver import (
    ChecksCaptures,
    Declares,
    DriverClass,
    GivesExample,
    PlaysFeed,
    Settings,
)
from telemetry.model.errors import InputError, Problem, nearest, printable
from telemetry.model.keys import keys_of
from telemetry.model.tables import Table, read_table

GROUP = "shakedown.drivers"
OURS = "shakedown"
ROLES: Mapping[type, str] = {
    GivesExample: "simulated-machine",
    PlaysFeed: "replay",
    ChecksCaptures: "serial-frames",
}
"""Which of our drivers does what the program itself needs done; found by name, since to load all takes a second."""
C = TypeVar("C")


def _found() -> dict[str, EntryPoint]:
    """Return the entry points by name; of two of one name the built-in wins, and :func:`clashes` reports it."""
    found: dict[str, EntryPoint] = {}
    for point in entry_points(group=GROUP):
        if point.name not in found or _is_ours(point):
            found[point.name] = point
    return found


def _is_ours(point: EntryPoint) -> bool:
    return point.dist is not None and point.dist.name == OURS


def driver_names() -> list[str]:
    """Return the names of all drivers installed, sorted."""
    return sorted(_found())


def _known_driver(name: str) -> str:
    """Return the driver that was probably meant, as a question, or all there are."""
    near = nearest(name, driver_names(), 1)
    return f"did you mean {near[0]}?" if near else f"the drivers are {', '.join(driver_names())}"


def clashes() -> list[str]:
    """Return the driver names that more than one installed package claims."""
    places = Counter({(point.name, point.value) for point in entry_points(group=GROUP)})
    names = Counter(name for name, _ in places)
    return sorted(name for name, count in names.items() if count > 1)


def load_driver(name: str) -> DriverClass:
    """Return the driver class of that name.

    Raises:
        InputError: no driver has that name, or the package it needs is not installed; the reason is given.
    """
    found = _found()
    if name not in found:
        raise InputError(f"there is no driver {printable(name)!r}; {_known_driver(name)}")
    if name in clashes():
        raise InputError(f"two packages offer a driver {name!r}; uninstall one of them")
    try:
        driver: DriverClass = found[name].load()
    except ImportError as error:
        raise InputError(
            f"driver {name!r} cannot be loaded ({printable(error, 120)}); install what it needs"
        ) from error
    return driver


def drivers_that(can: type[C]) -> dict[str, C]:
    """Return the drivers with a capability, by name; ``can`` is its protocol in :mod:`telemetry.driver`."""
    found = ((name, load_driver(name)) for name in driver_names())
    return {name: cast("C", driver) for name, driver in found if isinstance(driver, can)}


def driver_tables() -> dict[str, type[Table]]:
    """Return the tables of the drivers' own keys, by name."""
    return {name: driver.table for name, driver in drivers_that(Declares).items()}


def driver_for(role: type[C]) -> tuple[str, C]:
    """Return the one of our drivers that the program itself uses for a capability, and its name."""
    name = ROLES[role]
    return name, cast("C", load_driver(name))


def with_paths(driver: str, settings: Settings, folder: Path) -> dict[str, Any]:
    """Return ``settings`` with the file names among them taken from ``folder``, where the machine file lies.

    Which keys name files their kinds say; absolute names and what is no name stay as they are.
    """
    cls, found = load_driver(driver), dict(settings)
    for key in keys_of(cls.table) if isinstance(cls, Declares) else ():
        if key.kind.names_file and isinstance(found.get(key.name), str):
            found[key.name] = str(folder / Path(found[key.name]).expanduser())
    return found


def check_settings(driver: str, settings: Settings, folder: Path = Path()) -> list[Problem]:
    """Return the problems of a source's own keys; that there is no such driver is one, at the key ``driver``."""
    if driver not in driver_names():
        return [Problem("driver", f"is {printable(driver)!r}, which is not a driver", _known_driver(driver))]
    try:
        cls = load_driver(driver)
    except InputError as error:
        return [Problem("driver", str(error), "choose another driver until then")]
    return read_table(cls.table, with_paths(driver, settings, folder))[1] if isinstance(cls, Declares) else []
