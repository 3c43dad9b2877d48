"""Finds drivers by entry point, without importing any but the one asked for."""

from __future__ import annotations

from collections import Counter
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

from telemetry.driver import Settings
from telemetry.model.errors import InputError, Problem, nearest, printable

GROUP = "shakedown.drivers"
OURS = "shakedown"


def _found() -> dict[str, EntryPoint]:
    """Return the entry points by name; of two of one name the built-in wins, and :func:`clashes` tells."""
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


def load_driver(name: str) -> Any:
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
        return found[name].load()
    except ImportError as error:
        raise InputError(
            f"driver {name!r} cannot be loaded ({printable(error, 120)}); install what it needs"
        ) from error


def with_paths(driver: str, settings: Settings, folder: Path) -> dict[str, Any]:
    """Return ``settings`` with the file names among them taken from ``folder``, where the machine file lies.

    Which keys name files the driver says in ``path_keys``; absolute names and what is no name stay as they are.
    """
    found = dict(settings)
    for key in getattr(load_driver(driver), "path_keys", ()):
        if isinstance(found.get(key), str):
            found[key] = str(folder / Path(found[key]).expanduser())
    return found


def check_settings(driver: str, settings: Settings, folder: Path = Path()) -> list[Problem]:
    """Return the problems of a source's own keys; that there is no such driver is one, at the key ``driver``."""
    if driver not in driver_names():
        return [Problem("driver", f"is {printable(driver)!r}, which is not a driver", _known_driver(driver))]
    try:
        cls = load_driver(driver)
    except InputError as error:
        return [Problem("driver", str(error), "choose another driver until then")]
    check = getattr(cls, "check", None)
    problems: list[Problem] = check(with_paths(driver, settings, folder)) if check is not None else []
    return problems
