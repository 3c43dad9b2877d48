"""Entry points against files: each driver is one file and one line, and keeps the contract of telemetry/driver.py."""

from __future__ import annotations

import importlib
import inspect
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from inspect import get_annotations
from pathlib import Path
from typing import Any

import pytest

from telemetry import driver as contract
from telemetry.driver import Advises, Declares, Discovers, Driver, Maps
from telemetry.pipeline.registry import ROLES, load_driver
from tests.drivers.declared import problems_of

ROOT = Path(__file__).parents[1]
GROUP = "shakedown.drivers"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
POINTS: dict[str, str] = PROJECT["entry-points"][GROUP]


@pytest.fixture(params=sorted(POINTS))
def point(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


@pytest.fixture
def driver(point: str) -> Any:
    module, _, name = POINTS[point].partition(":")
    return getattr(importlib.import_module(module), name)


def test_every_file_is_a_driver_and_every_driver_a_file() -> None:
    files = {file.stem for file in (ROOT / "drivers").glob("*.py")} - {"__init__"}
    assert {POINTS[name].partition(":")[0] for name in POINTS} == {f"drivers.{stem}" for stem in files}


def test_a_drivers_name_is_its_files_with_dashes(point: str) -> None:
    assert POINTS[point].partition(":")[0] == f"drivers.{point.replace('-', '_')}"


def test_it_stands_in_its_own_file(point: str, driver: Any) -> None:
    assert inspect.isclass(driver)
    assert driver.__module__ == POINTS[point].partition(":")[0]


def test_it_has_what_it_must(driver: Any) -> None:
    assert driver.kind in ("wired", "radio", "plan")
    assert inspect.iscoroutinefunction(driver.open)
    assert inspect.iscoroutinefunction(driver.close)
    assert callable(driver.readings)
    assert not inspect.iscoroutinefunction(driver.readings), "readings() is iterated, not awaited"
    for name in ("open", "readings", "close"):
        assert list(inspect.signature(getattr(driver, name)).parameters) == ["self"]


def test_it_is_constructed_with_its_context_alone(driver: Any) -> None:
    required = [
        parameter
        for parameter in list(inspect.signature(driver).parameters.values())
        if parameter.default is parameter.empty
    ]
    assert len(required) == 1


CAPABILITIES = [
    each
    for each in vars(contract).values()
    if getattr(each, "_is_protocol", False)
    and getattr(each, "_is_runtime_protocol", False)
    and each not in (Driver, Advises, Maps)
]


@pytest.mark.parametrize("capability", CAPABILITIES, ids=lambda each: each.__name__)
def test_a_capability_is_whole_and_needs_no_object(capability: Any, driver: Any) -> None:
    wanted = {name for name in dir(capability) if not name.startswith("_")} | set(get_annotations(capability))
    has = {name for name in wanted if hasattr(driver, name)}
    assert has in (set(), wanted), f"{capability.__name__}: has {has} of {wanted}"
    assert isinstance(driver, capability) == (has == wanted)
    for name in has:
        if callable(method := getattr(capability, name, None)):
            taken = len(inspect.signature(getattr(driver, name)).parameters)
            assert taken == len(inspect.signature(method).parameters) - 1, f"{name} is called on the class"
    if capability is Discovers and has:
        assert inspect.iscoroutinefunction(driver.discover)


@pytest.mark.parametrize("role", ROLES, ids=lambda each: each.__name__)
def test_the_program_s_own_roles_are_taken(role: type) -> None:
    assert isinstance(load_driver(ROLES[role]), role)


def test_it_says_what_it_is(driver: Any) -> None:
    assert driver.__doc__


def test_it_objects_to_a_key_it_does_not_know(point: str, driver: Any) -> None:
    if not isinstance(driver, Declares):
        pytest.skip(f"{point} checks no settings of its own")
    problems = problems_of(driver, {"no_such_key_anywhere": 1})
    assert any("no_such_key_anywhere" in str(problem) for problem in problems)


def test_what_is_installed_is_what_is_written() -> None:
    try:
        installed = distribution("shakedown")
    except PackageNotFoundError:
        pytest.skip("shakedown is not installed here: pip install -e .")
    points = {point.name: point.value for point in installed.entry_points if point.group == GROUP}
    assert points == POINTS, "pyproject.toml has changed since it was installed: pip install -e . again"


def test_the_command_leads_to_the_command_line() -> None:
    module, _, name = PROJECT["scripts"]["shakedown"].partition(":")
    assert callable(getattr(importlib.import_module(module), name))
