"""What the first screen says of what was found: a line for each thing in reach, three steps, and the next act."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from telemetry.screen.start_facts import StartFacts, StartLine

if TYPE_CHECKING:
    from telemetry.machine.machine_file import Machine, SourceSettings
    from telemetry.screen.theme import Meaning
    from telemetry.store.outcomes import Outcome
    from telemetry.store.reader import SessionRecord

PLACES = ("port", "address", "host", "channel")
"""Keys of a source that say where its device is."""


@dataclass
class LinkHere:
    """A source of a machine file and its link.

    Attributes:
        source: as the file states it.
        state: ``in reach``, ``gone``, ``answers``, ``silent``, or ``does not open`` with the reason; empty where
            nothing is known.

    """

    source: SourceSettings
    state: str = ""

    @property
    def place(self) -> str:
        """Where it is, as the machine file says."""
        return next((str(self.source.settings[key]) for key in PLACES if key in self.source.settings), "")


@dataclass
class MachineHere:
    """A machine file of the folder; without a machine what is wrong with it."""

    path: Path
    machine: Machine | None
    wrong: str = ""
    links: list[LinkHere] = field(default_factory=list)


@dataclass
class Seen:
    """All that has been found so far.

    Attributes:
        store: where sessions are.
        files: machine files, the one that was driven last first.
        records: the sessions.
        outcomes: what they came to, as far as that is kept.
        found: what each driver found in reach, by its name.
        is_looking: whether more is to come.

    """

    store: Path
    files: list[MachineHere] = field(default_factory=list)
    records: list[SessionRecord] = field(default_factory=list)
    outcomes: Mapping[int, Outcome] = field(default_factory=dict)
    found: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    is_looking: bool = True


class _Next(NamedTuple):
    said: str
    key: str = ""
    words: tuple[str, ...] = ()


def facts_of(seen: Seen) -> StartFacts:
    """Return what the first screen shows of it."""
    steps, then = _steps(seen)
    reach = (*_machine_lines(seen), *_other_lines(seen))
    if not reach and not seen.is_looking:
        reach = (StartLine(None, "nothing", "", "no machine file in this folder, no port, no radio"),)
    return StartFacts(then.said, then.key, then.words, reach, steps, seen.is_looking)


def _machine_lines(seen: Seen) -> Iterator[StartLine]:
    is_first = True
    for file in seen.files:
        if file.machine is None:
            yield StartLine("danger", file.path.name, "", file.wrong)
            continue
        meaning, said = _link_words(file.links, seen.is_looking)
        act = ("w", "watch", ("watch", str(file.path))) if is_first else ("", "", ())
        yield StartLine(meaning, file.path.name, "", f"{file.machine.name}: {said}", *act)
        is_first = False


def _link_words(links: Sequence[LinkHere], is_looking: bool) -> tuple[Meaning, str]:
    """Return how the links of a machine are, the worst first."""
    if not links:
        return "caution", "no [[source]] yet"
    for link in links:
        name = link.source.name
        if link.state == "gone":
            return "caution", f"{name}: {link.place} is not in reach"
        if link.state.startswith("does not open"):
            return "caution", f"{name} {link.state}"
        if link.state == "silent":
            return "caution", f"{name} is there, but sends nothing"
    states = {link.state for link in links}
    one = len(links) == 1
    which = {1: "its link", 2: "both its links"}.get(len(links), f"all {len(links)} links")
    if states == {"answers"}:
        return "normal", f"{which} {'answers' if one else 'answer'}"
    if states <= {"answers", "in reach"}:
        return "normal", f"{which} {'is' if one else 'are'} in reach{', listening ...' if is_looking else ''}"
    return "act", "looking for its links ..." if is_looking else "whether its links answer shows only in a run"


def _other_lines(seen: Seen) -> Iterator[StartLine]:
    """Give what no machine file names; the first such line has the key."""
    taken = {link.place for file in seen.files for link in file.links}
    ports = {str(found["port"]) for each in seen.found.values() for found in each if "port" in found}
    heard = [found for found in seen.found.get("bluetooth-le", []) if str(found.get("address")) not in taken]
    others = [(port, "a port that no machine file names") for port in sorted(ports - taken)]
    if heard:
        count = "a device" if len(heard) == 1 else f"{len(heard)} devices"
        others.append(("Bluetooth", f"{count} heard, in no machine file"))
    for place, (name, said) in enumerate(others):
        yield StartLine("act", name, "", said, *(("a", "set it up", ("sources",)) if place == 0 else ("", "", ())))


def _steps(seen: Seen) -> tuple[tuple[StartLine, ...], _Next]:
    """Return the three lines on the way to the first drive, and the next act."""
    file = next((each for each in seen.files if each.machine is not None), None)
    if file is None or file.machine is None:
        names = ("fit", "first power", "first drive")
        return tuple(StartLine(None, "open", name, "needs a machine file") for name in names), _next_without(seen)
    machine, path = file.machine, str(file.path)
    driven = [each for each in seen.records if each.origin == "live" and each.machine == machine.name]
    fit_line = _fit_line(machine, path)
    power_line, power_next = _power_line(machine, path, seen.store)
    drive = StartLine("normal", "done", "first drive", f"{len(driven)} recorded") if driven else _NOT_DRIVEN
    gone = next((link for link in file.links if link.state == "gone"), None)
    watch = ("w", ("watch", path))
    last = seen.outcomes.get(driven[-1].id) if driven else None
    if last is not None and last.word == "PARK":
        said = f"session {last.session} says PARK: {last.why}"
        then = _Next(said, "enter", ("review", str(last.session)))
    elif fit_line.meaning == "danger" and not driven:
        then = _Next("read what fit found: something stops this build", "f", ("fit", path))
    elif power_next and not driven:
        then = _Next(power_next, "e", ("first-power", path))
    elif not file.links:
        then = _Next(f"add a [[source]] to {file.path.name}; a lists what is in reach", "a", ("sources",))
    elif gone is not None:
        then = _Next(f"connect {gone.source.name}: {gone.place} is not in reach", *watch)
    else:
        then = _Next("drive it and record it" if driven else "record the first drive, ten minutes at ease", *watch)
    return (fit_line, power_line, drive), then


_NOT_DRIVEN = StartLine(None, "open", "first drive", "not yet")


def _next_without(seen: Seen) -> _Next:
    """Return the next act where there is no machine file that can be read."""
    if seen.files:
        return _Next(f"correct {seen.files[0].path.name}: what is wrong with it is below")
    if seen.is_looking:
        return _Next("looking at what is here ...")
    return _Next("describe your machine in a few questions", "n", ("new-machine",))


def _fit_line(machine: Machine, path: str) -> StartLine:
    from telemetry.machine.fit import fit, overall

    findings = fit(machine)
    verdicts = [each.verdict for each in findings]
    if overall(findings) == "stop":
        count = verdicts.count("stop")
        said = f"{count} finding{'s stop' if count > 1 else ' stops'} it"
        return StartLine("danger", "stop", "fit", said, "f", "read", ("fit", path))
    cautions, unknown = verdicts.count("caution"), verdicts.count("unknown")
    said = "nothing stops it"
    said += f", {cautions} caution{'s' if cautions > 1 else ''}" if cautions else ""
    said += f", {unknown} unknown" if unknown else ""
    return StartLine("normal", "done", "fit", said, "f", "read", ("fit", path))


def _power_line(machine: Machine, path: str, store: Path) -> tuple[StartLine, str]:
    """Return the line on first power, and what is next in it; empty where nothing is."""
    from telemetry.model.errors import ShakedownError
    from telemetry.runs.first_power_progress import progress

    try:
        found = progress(machine, store)
    except ShakedownError as error:
        return StartLine("danger", "open", "first power", str(error)), ""
    words = ("first-power", path)
    said = found.words
    if not found.number:
        who = "; the rest is licensed work" if found.is_withheld else ""
        meaning: Meaning = "caution" if found.skipped else "normal"
        return StartLine(meaning, "done", "first power", said + who, "e", "read", words), ""
    step = f"first power, step {found.number}: {found.title[0].lower()}{found.title[1:]}"
    if not found.is_begun:
        return StartLine("caution", "open", "first power", "not begun", "e", "begin", words), f"begin {step}"
    if found.is_ready:
        said = f"{said}; after the first hour of driving: {found.title[0].lower()}{found.title[1:]}"
        return StartLine("normal", "open", "first power", said, "e", "go on", words), ""
    return StartLine("caution", "open", "first power", said, "e", "go on", words), f"go on with {step}"
