"""Reads a machine file: TOML in, a :class:`Machine` out, or every problem at once.

A value that is wrong is reported and left out, and reading goes on, so that one look at the messages is enough to
repair the file. Contradictions are checked only among values that are right by themselves.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path, PurePath
from typing import Any

from telemetry.machine.between_sections import Contradiction, between_sections
from telemetry.machine.checks import (
    machine_contradictions,
    override_contradictions,
    section_contradictions,
)
from telemetry.machine.fault_codes import SECTION as FAULT_CODES
from telemetry.machine.fault_codes import read_fault_codes
from telemetry.machine.limit_values import limit_key_names, limits_meant, other_units, read_limit_value
from telemetry.machine.limits import LIMIT_NAMES
from telemetry.machine.pack_keys import Pack, Wiring
from telemetry.machine.publish import Publish, doubled
from telemetry.machine.sections import (
    PLAIN_SECTIONS,
    SECTIONS,
    LimitOverride,
    Machine,
    SourceSettings,
    homes_of,
    section_keys,
)
from telemetry.machine.syntax import Places, syntax_problem
from telemetry.machine.vehicle_keys import Charger, Instruments, Vehicle, Work
from telemetry.model.errors import MachineFileError, Problem, nearest, printable
from telemetry.model.keys import BadValue, described, header_of
from telemetry.model.tables import known_key, read_values
from telemetry.model.toml_text import LARGEST_TEXT, parse_toml

__all__ = [
    "Charger",
    "Instruments",
    "LimitOverride",
    "Machine",
    "Pack",
    "SourceSettings",
    "Vehicle",
    "Wiring",
    "Work",
    "load_machine",
    "parse_machine",
]

_RECORDINGS = (".csv", ".csv.gz", ".parquet")
LARGEST_FILE = LARGEST_TEXT
_RESERVED_SOURCES = ("derived",)


CheckSource = Callable[[str, Mapping[str, Any]], list[Problem]]
"""Given a driver's name and its own keys, returns what is wrong with them; where each is, by the key alone."""


def load_machine(path: Path, check_source: CheckSource | None = None) -> Machine:
    """Read the machine file at ``path``; ``check_source`` has each driver look at its own keys.

    Raises:
        MachineFileError: all that is wrong with it, at once.

    """
    machine, problems = parse_machine(_text_of(path), str(path), check_source)
    if machine is None:
        raise MachineFileError(str(path), problems)
    return machine


def parse_machine(
    text: str, file: str, check_source: CheckSource | None = None
) -> tuple[Machine | None, list[Problem]]:
    """Return the machine that ``text`` states, or None and every problem of it; ``file`` is named in each."""
    try:
        tables = parse_toml(text)
    except ValueError as error:
        return None, [syntax_problem(error, text, _shown_name(file))]
    reader = _Reader(tables, Places(text, _shown_name(file)), check_source)
    machine = reader.machine(text, file)
    return (None if reader.problems else machine), reader.problems


def read_tables(tables: dict[str, Any], text: str, file: str, *, shown: str) -> tuple[Machine | None, list[Problem]]:
    """Return the machine that the tables of a file state, changed since they were read, or None and every problem.

    Args:
        tables: as TOML gives them.
        text, file: what they came from, kept with the machine.
        shown: what each problem names in place of the file.

    """
    reader = _Reader(tables, Places("", shown), None)
    machine = reader.machine(text, file)
    return (None if reader.problems else machine), reader.problems


def _text_of(path: Path) -> str:
    """Return the file's text; a byte-order mark, as some editors put before it, is left out."""
    name = _shown_name(str(path))
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError as error:
        others = [each.name for each in path.parent.glob("*.toml")] if path.parent.is_dir() else []
        near = nearest(path.name, [printable(each) for each in others], 1)
        right = f"did you mean {near[0]}?" if near else "check the name, or make one with shakedown new-machine"
        raise MachineFileError(str(path), [Problem(name, "there is no such file", right)]) from error
    except OSError as error:
        what = f"cannot be read ({printable(error.strerror or 'no reason given')})"
        raise MachineFileError(str(path), [Problem(name, what, "name a file that you may read")]) from error
    if len(content) > LARGEST_FILE:
        what = f"holds more than {LARGEST_FILE} bytes and is not a machine file"
        raise MachineFileError(str(path), [Problem(name, what, "name the machine file, not a recording")])
    if b"\0" in content or path.name.lower().endswith(_RECORDINGS):
        what = "is not a text file" if b"\0" in content else "is a recording, not a machine file"
        right = "name the machine file, which ends in .toml"
        raise MachineFileError(str(path), [Problem(name, what, right)])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        what = f"byte {error.start} (0x{content[error.start]:02x}) is not UTF-8"
        right = "save it as UTF-8 in your editor"
        raise MachineFileError(str(path), [Problem(f"{name}, line {line}", what, right)]) from error


def _shown_name(file: str) -> str:
    return printable(PurePath(file).name or file)


class _Reader:
    """Goes through the tables of one file and gathers problems."""

    def __init__(self, tables: dict[str, Any], places: Places, check_source: CheckSource | None) -> None:
        self._tables = tables
        self._check_source = check_source
        self._places = places
        self.problems: list[Problem] = []
        self._spoilt: set[str] = set()
        self._stated: dict[str, dict[str, Any]] = {}

    def machine(self, text: str, file: str) -> Machine | None:
        """Return the machine, as far as it is known; what is wrong is in ``problems``."""
        self._top()
        stated = {section: self._section(section) for section in PLAIN_SECTIONS}
        self._contradicting(between_sections(self._stated))
        sources, publish = self._sources(), self._publish()
        overrides = self._overrides()
        fault_codes = read_fault_codes(self._tables, self._report)
        if stated["pack"] is None:
            self._contradicting(each for o in overrides.values() for each in override_contradictions(o, None))
            return None
        machine = Machine(
            pack=stated["pack"],
            wiring=stated["wiring"],
            charge_wiring=stated["charge_wiring"],
            vehicle=stated["machine"],
            charger=stated["charger"],
            work=stated["work"],
            instruments=stated["instruments"],
            sources=sources,
            publish=publish,
            limit_overrides=overrides,
            fault_codes=fault_codes,
            text=text,
            file=file,
        )
        for index, topic in doubled(publish, machine.name):
            what = f"publishes under {topic}, as an earlier one does"
            self._report("publish", "topic", what, "give each its own topic", index)
        if {"pack", "machine"} & self._spoilt:
            self._contradicting(each for o in overrides.values() for each in override_contradictions(o, None))
        else:
            self._contradicting(machine_contradictions(machine))
        return machine

    def _report(self, section: str, key: str, what: str, right: str, index: int | None = None) -> None:
        self.problems.append(Problem(self._places.of(section, key, index), what, right))

    def _contradicting(self, found: Iterator[Contradiction]) -> None:
        for each in found:
            self._report(each.section, each.key, each.what, each.right)

    def _top(self) -> None:
        """Report whatever is at the top of the file and is no section of ours."""
        known = (*SECTIONS, FAULT_CODES)
        for name in (each for each in self._tables if each not in known):
            homes = homes_of(name)
            if not isinstance(self._tables[name], dict | list) and homes:
                self._report("", name, "is outside any section", f"move it below the line [{homes[0]}]")
                continue
            near = nearest(name.lower(), known, 1)
            right = f"did you mean {header_of(near[0])}?" if near else f"the sections are {', '.join(known)}"
            kind = "section" if isinstance(self._tables[name], dict | list) else "key outside any section"
            self._report("", name, f"is an unknown {kind}", right)

    def _section(self, section: str) -> Any:
        """Return one section's values as its dataclass; None where a required key is missing or wrong."""
        table = self._tables.get(section, {})
        if not isinstance(table, dict):
            self._report(section, "", f"is {described(table)}", f"write the line [{section}] once, its keys below")
            self._spoilt.add(section)
            table = {}
        before = len(self.problems)
        values = self._stated[section] = self._values(section, table)
        self._contradicting(section_contradictions(section, values))
        if len(self.problems) > before:
            self._spoilt.add(section)
        if any(key.required and key.name not in values for key in section_keys(section)):
            return None
        return SECTIONS[section](**values)

    def _values(self, section: str, table: Mapping[str, Any], index: int | None = None) -> dict[str, Any]:
        """Return the values of ``table`` that are right."""
        values, problems = read_values(section_keys(section), table, partial(_key_meant, section))
        for each in problems:
            self._report(section, each.where, each.what, each.right, index)
        return values

    def _list_of(self, section: str) -> list[dict[str, Any]]:
        """Return the tables of a section that may stand several times."""
        tables = self._tables.get(section, [])
        if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
            right = f"write {header_of(section)} with two brackets on each side"
            self._report(section, "", f"is {described(tables)}", right)
            return []
        return tables

    def _publish(self) -> tuple[Publish, ...]:
        found = []
        for index, table in enumerate(self._list_of("publish")):
            values = self._values("publish", table, index)
            if "broker" in values:
                found.append(Publish(**values))
        return tuple(found)

    def _sources(self) -> tuple[SourceSettings, ...]:
        sources: list[SourceSettings] = []
        ours = {key.name for key in section_keys("source")}
        for index, table in enumerate(self._list_of("source")):
            likely = ours if "driver" in table else ours.union(nearest("driver", table, 1, 0.8))
            values = self._values("source", {key: table[key] for key in table if key in likely}, index)
            if "name" in values and not self._good_name(values["name"], sources, index):
                continue
            if "driver" not in values:
                continue
            rest = {key: value for key, value in table.items() if key not in ours}
            values.setdefault("name", _free_name(values["driver"], self._stated_names(), sources))
            source = SourceSettings(**values, settings=rest)
            if self._check_source is not None:
                for problem in self._check_source(source.driver, source.settings_for_driver):
                    self._report("source", problem.where, problem.what, problem.right, index)
            sources.append(source)
        return tuple(sources)

    def _stated_names(self) -> set[str]:
        return {str(table["name"]).strip() for table in self._tables["source"] if "name" in table}

    def _good_name(self, name: str, sources: list[SourceSettings], index: int) -> bool:
        """Return whether a source may be called ``name``; report it where not."""
        if any(source.name == name for source in sources):
            self._report(
                "source", "name", f'is "{printable(name)}" a second time', "give each source its own name", index
            )
            return False
        if name in _RESERVED_SOURCES:
            self._report("source", "name", f'is "{name}", which names what we compute', "choose another name", index)
            return False
        if not name[0].isalnum() or "/" in name:
            right = "begin it with a letter or digit and use no /"
            self._report("source", "name", f'is "{printable(name)}", which cannot name a source', right, index)
            return False
        return True

    def _overrides(self) -> dict[str, LimitOverride]:
        tables = self._tables.get("limits", {})
        if not isinstance(tables, dict):
            self._report("limits", "", f"is {described(tables)}", "write [limits.NAME], one for each limit")
            return {}
        overrides = {}
        for name, table in tables.items():
            if name not in LIMIT_NAMES:
                near = " or ".join(f"[limits.{each}]" for each in limits_meant(name))
                right = f"did you mean {near}?" if near else f"the limits are {', '.join(LIMIT_NAMES)}"
                what = "is an unknown limit" if isinstance(table, dict) else "is not under a limit's name"
                self._report("limits", name, what, right)
            elif not isinstance(table, dict):
                self._report(
                    "limits", name, f"is {described(table)}", f"write the line [limits.{name}], its keys below"
                )
            else:
                overrides[name] = LimitOverride(name=name, **self._limit_values(name, table))
        return overrides

    def _limit_values(self, limit: str, table: Mapping[str, Any]) -> dict[str, Any]:
        """Return the values of one ``[limits.NAME]`` that are right, those in other units converted."""
        names, others, section = limit_key_names(limit), other_units(limit), f"limits.{limit}"
        values: dict[str, Any] = {}
        for name, value in table.items():
            base, unit = others.get(name, (name, ""))
            if name not in names:
                self._report(section, name, "is an unknown key", _key_meant("limits", name, names))
            elif base in values:
                self._report(section, name, f"states {base} a second time", "leave one of the two out")
            else:
                try:
                    values[base] = read_limit_value(limit, base, value, unit)
                except BadValue as bad:
                    self._report(section, name, bad.what, bad.right)
        return values


def _key_meant(section: str, name: str, keys: Iterable[str]) -> str:
    """Return what to write in place of a key that ``section`` may not have."""
    homes = [home for home in homes_of(name) if home != section]
    return f"it belongs to {' or '.join(map(header_of, homes))}" if homes else known_key(name, keys)


def _free_name(driver: str, stated: set[str], before: list[SourceSettings]) -> str:
    """Return the driver's name, numbered from 2 where it is taken."""
    taken = stated | {source.name for source in before} | set(_RESERVED_SOURCES)
    number = 1
    while (name := driver if number == 1 else f"{driver}-{number}") in taken:
        number += 1
    return name
