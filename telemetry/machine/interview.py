"""Asks the few questions that make a new machine file; who asks, and how, is the caller's business."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from telemetry.machine.between_sections import between_sections
from telemetry.machine.checks import section_contradictions
from telemetry.machine.chemistry import CHEMISTRIES, Chemistry, pack_window
from telemetry.machine.new_machine import DEFAULTS, new_machine_text
from telemetry.machine.pack_keys import MOST_CELLS
from telemetry.machine.sections import SECTIONS, USUAL_DRIVER, find_key
from telemetry.model.errors import did_you_mean, printable
from telemetry.model.keys import BadValue, described
from telemetry.model.kinds import Choice, read_typed
from telemetry.model.questions import Ask, Question, asked

NO_LINK = "later"
Link = Mapping[str, Any]
"""A ``[[source]]`` table: ``driver`` and its settings; ``seems`` says what a device seems to be."""
_DEVICE = ("port", "address", "channel")
_CHEMISTRY_NOTES = (
    "lfp is LiFePO4, 3.2 V a cell. Sold as Li-ion: nmc, nca or lmo, 3.6 to 3.7 V a cell; the sheet says which.",
    "The wrong one here makes every voltage limit wrong: look it up before you answer.",
)
"""Nominal voltages as in the table of chemistries."""
_CELLS_NOTES = (
    "Enter takes an example, not your pack: count the cells, or read the pack's plate.",
    "A wrong number makes every voltage limit wrong, the charger's too.",
)
_CAPACITY_NOTES = ("Enter takes an example, not your pack: read the pack's plate.",)
_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*([A-Za-z²]*)", re.ASCII)
_SURELY_VOLTS = frozenset({36, 48, 60, 72, 80, 84, 96, 108, 120})
"""Bare answers to "how many cells" that most likely mean a battery's trade voltage."""
_TRADE_VOLTS = frozenset({12, 24, 36, 48, 60, 72, 80, 96})
_NO_FUSE = frozenset({"none", "no", "no fuse", "0"})
_TRADE_RANGE = (0.97, 1.08)


def interview(
    ask: Ask,
    answers: dict[str, object] | None = None,
    in_reach: Callable[[], Sequence[Link]] = tuple,
    identity: str = "",
) -> str:
    """Return the text of a machine file made from the answers that ``ask`` gives; it parses without a problem.

    What decides most comes first: the pack, the controller's window, fuse, wire and charger. A bad answer is
    explained in the next question's ``problem`` and asked for again, without end.

    Args:
        ask: shows a question and returns the answer.
        answers: filled with each answer as it is given, by key; whoever breaks off the questions still has them.
        in_reach: looks for links that readings may come by, as ``[[source]]`` tables.
        identity: what the program will know the machine by; empty writes none.

    """
    answers = {} if answers is None else answers
    question = "What is the chemistry of the pack's cells?"
    chemistry = CHEMISTRIES[str(_value(ask, "pack.chemistry", question, "lfp", _CHEMISTRY_NOTES))]
    answers["pack.chemistry"] = chemistry.name
    cells = _cells(ask, chemistry)
    answers["pack.cells_in_series"] = cells
    window = pack_window(chemistry, cells)
    capacity = f"{DEFAULTS['pack.capacity_ah']:g}"
    question = f"What capacity does the pack of {cells} cells, {window.nominal:.1f} V nominal, have, in Ah?"
    answers["pack.capacity_ah"] = _value(ask, "pack.capacity_ah", question, capacity, _CAPACITY_NOTES)
    for name, text in _optional(chemistry, cells):
        if name == "wiring.conductor_mm2":
            if (conductor := _conductor(ask, text)) is not None:
                answers[f"wiring.{conductor[0]}"] = conductor[1]
        elif (value := _accepted(ask, answers, name, text)) is not None:
            answers[name] = value
    name = str(DEFAULTS["machine.name"])
    answers["machine.name"] = _value(ask, "machine.name", "What do you call the machine?", name)
    if identity:
        answers["machine.id"] = identity
    return new_machine_text(answers, ask_links(ask, in_reach))


def _optional(chemistry: Chemistry, cells: int) -> Iterator[tuple[str, str]]:
    """Give the questions that may be left open, in order, with the key that each decides."""
    yield "machine.minimum_voltage_v", "At what low battery voltage does the motor controller cut out, in V?"
    yield "machine.maximum_voltage_v", "What is the highest battery voltage that the controller tolerates, in V?"
    yield "wiring.fuse_a", "What is the rating of the fuse between pack and controller, in A?"
    yield "wiring.conductor_mm2", "How thick is the cable between pack and controller, such as 25 mm2 or 4 AWG?"
    usual = f"an ordinary charge of these cells ends at {cells * chemistry.charge_v:.1f} V"
    yield "charger.output_voltage_v", f"What is the charger's highest output voltage, in V ({usual})?"
    yield "charger.output_current_a", "What is the charger's output current, in A?"
    yield "pack.continuous_discharge_a", "What continuous discharge current is the pack rated for, in A?"


def _value(ask: Ask, name: str, text: str, default: str = "", notes: tuple[str, ...] = ()) -> object:
    """Ask for one key's value; None where the answer is empty and there is no default."""
    key = find_key(*name.split(".", 1))
    choices = tuple(map(str, key.kind.choices)) if isinstance(key.kind, Choice) else ()
    return asked(ask, Question(name, text, default, choices, notes=notes), lambda answer: _read(name, answer))


def _read(name: str, answer: str) -> object:
    """Return a typed answer as the key's value: its unit may be written behind a number, a comma is a point."""
    key = find_key(*name.split(".", 1))
    return read_typed(key, answer) if answer else None


def _accepted(ask: Ask, answers: Mapping[str, object], name: str, text: str) -> object:
    """Ask for an optional value that must agree with the answers before it, as the file's reader will have it."""

    def read(answer: str) -> object:
        if name == "wiring.fuse_a" and answer.strip().lower() in _NO_FUSE:
            raise BadValue(
                "a cable without a fuse burns in a short circuit",
                "fit one at the pack before you power it up, and leave this empty until then",
            )
        value = _read(name, answer)
        stated: dict[str, dict[str, object]] = {section: {} for section in SECTIONS}
        for place, known in {**answers, **({} if value is None else {name: value})}.items():
            section, key = place.split(".", 1)
            stated[section][key] = known
        asked = name.split(".", 1)[0]
        for found in (*section_contradictions(asked, stated[asked]), *between_sections(stated)):
            raise BadValue(
                f"the answer {found.what}", f"{found.right}; an earlier answer can be corrected in the file"
            )
        return value

    return asked(ask, Question(name, text), read)


def _cells(ask: Ask, chemistry: Chemistry) -> int:
    usual = chemistry.usual_cells
    example = f"{usual} cells, or {usual * chemistry.nominal_v:.1f} V"
    question = Question(
        "pack.cells_in_series",
        f"How many cells are in series, or what nominal voltage is on the plate (such as {example})?",
        str(usual),
        notes=_CELLS_NOTES,
    )
    return asked(ask, question, lambda answer: read_cells(chemistry, answer))


def read_cells(chemistry: Chemistry, answer: str) -> int:
    """Return the cells in series from ``16``, ``16 cells``, ``16S`` or a nominal voltage such as ``51.2 V``.

    Raises:
        BadValue: it is neither, or a voltage that packs of different cell counts are sold under.

    """
    match = _NUMBER.fullmatch(answer.strip())
    unit = match[2].lower() if match else "?"
    if match is None or unit not in ("", "s", "cell", "cells", "v", "volt", "volts"):
        raise BadValue(
            f"{described(answer)} is neither a number of cells nor a voltage", "write 16 cells, or 51.2 V, say"
        )
    value = float(match[1].replace(",", "."))
    if unit.startswith("v") or (not unit and value != int(value)):
        return _cells_of(chemistry, value)
    if not unit and value in _SURELY_VOLTS:
        what = f"{value:g} cells would be {value * chemistry.nominal_v:.0f} V nominal"
        raise BadValue(what, f"write {value:g} V if volts are meant, else {value:g} cells")
    return int(str(find_key("pack", "cells_in_series").read(int(value) if value == int(value) else value)))


def _cells_of(chemistry: Chemistry, volts: float) -> int:
    """Return how many cells make a nominal voltage.

    Lithium packs are sold under the round voltage of the lead battery that they replace, which differs by some
    percent from their own nominal voltage (common practice, from memory): there more than one count may fit.
    """
    if not volts > 0:
        raise BadValue(
            f"{volts:g} V is not the voltage of a pack", "write the nominal voltage on its nameplate, 51.2 V, say"
        )
    fitting = []
    for cells in range(1, MOST_CELLS + 1):
        low, high = 0.995 * cells * chemistry.nominal_v, 1.005 * cells * chemistry.nominal_high_v
        own = cells * chemistry.nominal_v / volts
        replaces_lead = chemistry.is_lithium and volts in _TRADE_VOLTS and _TRADE_RANGE[0] <= own <= _TRADE_RANGE[1]
        if low <= volts <= high or replaces_lead:
            fitting.append(cells)
    if len(fitting) == 1:
        return fitting[0]
    if not fitting:
        what = f"no number of {chemistry.name} cells has a nominal {volts:g} V"
        raise BadValue(what, f"count the cells, or write the voltage as a multiple of {chemistry.nominal_v:g} V")
    counts = " or ".join(str(each) for each in fitting)
    raise BadValue(
        f"packs of {counts} {chemistry.name} cells are sold as {volts:g} V",
        "count the cells, or read the exact nominal voltage on the plate; one cell more or less spoils the pack",
    )


def _conductor(ask: Ask, text: str) -> tuple[str, object] | None:
    return asked(ask, Question("wiring.conductor_mm2", text), read_conductor)


def read_conductor(answer: str) -> tuple[str, object] | None:
    """Return key and value from ``25 mm2``, ``4 AWG`` or ``2/0``; None from nothing.

    Raises:
        BadValue: it is neither, or does not say which.

    """
    said = answer.strip().lower().replace("mm²", "mm2")
    if not said:
        return None
    if area := re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*mm2", said, re.ASCII):
        return "conductor_mm2", find_key("wiring", "conductor_mm2").read(float(area[1].replace(",", ".")))
    size = re.fullmatch(r"(?:awg\s*)?(\d+(?:/0)?)(\s*awg)?", said, re.ASCII)
    if size and ("awg" in said or "/" in said):
        return "conductor_awg", find_key("wiring", "conductor_awg").read(size[1])
    raise BadValue(f"{described(answer)} does not say the size of a cable", "write 25 mm2, or 4 AWG, say")


def ask_links(ask: Ask, in_reach: Callable[[], Sequence[Link]]) -> tuple[Link, ...]:
    """Return the sources chosen, in the order of the answer; none where that is for later.

    Args:
        ask: shows a question and returns the answer.
        in_reach: looks for devices; called once, when the question comes up.

    """
    links = in_reach()
    numbers = tuple(str(number) for number in range(1, len(links) + 1))
    known = (*numbers, USUAL_DRIVER, NO_LINK)
    seen = tuple(f"{number}: {_shown(link)}" for number, link in zip(numbers, links, strict=True))

    def chosen(answer: str) -> tuple[str, ...]:
        words = tuple(dict.fromkeys(re.split(r"[\s,;]+", answer.lower().strip(" ,;"))))
        for word in words:
            if word not in known:
                what = f"{described(word)} is not a link known here{did_you_mean(word, known)}"
                raise BadValue(what, f"write one of {', '.join(known)}")
        if NO_LINK in words and len(words) > 1:
            raise BadValue(f"{described(answer)} names links and says later", "write one of the two")
        _one_device_once([links[int(word) - 1] for word in words if word in numbers])
        return words

    text = "How do readings reach this computer: lines of text on a serial port, or is that for later?"
    if links:
        text = f"Which of these give readings? Numbers, such as 1 or 1, 2; {USUAL_DRIVER} for a port that you type."
    words = asked(ask, Question("source.driver", text, NO_LINK, known, notes=seen), chosen)
    if NO_LINK in words:
        return ()
    return tuple(_typed_port(ask) if word == USUAL_DRIVER else links[int(word) - 1] for word in words)


def _one_device_once(links: Sequence[Link]) -> None:
    devices = [str(link[key]) for link in links for key in _DEVICE if key in link]
    for device in devices:
        if devices.count(device) > 1:
            what = f"{printable(device)} is chosen twice"
            raise BadValue(what, "choose the driver that speaks the device's language, once for each device")


def _shown(link: Link) -> str:
    """Return a link in one line: driver, device, and what it seems to be."""
    device = ", ".join(f"{key} {printable(link[key])}" for key in _DEVICE if key in link)
    seems = f" ({printable(link['seems'])})" if link.get("seems") else ""
    return f"{link['driver']}{f', {device}' if device else ''}{seems}"


def _typed_port(ask: Ask) -> Link:
    def port(answer: str) -> str:
        if not answer or not answer.isprintable():
            raise BadValue("a port is needed", "write /dev/ttyUSB0, COM4 or socket://radio.local:4000, say")
        return answer

    text = "Which port is the device on, such as /dev/ttyUSB0, COM4 or socket://HOST:PORT?"
    return {"driver": USUAL_DRIVER, "port": asked(ask, Question("source.port", text), port)}
