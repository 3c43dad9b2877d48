"""Writes the text of a new machine file: what is known as keys, the rest as comments that say where to find it."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from telemetry.machine.chemistry import CHEMISTRIES, Chemistry, pack_window
from telemetry.machine.sections import PLAIN_SECTIONS, TITLES, USUAL_DRIVER, section_keys
from telemetry.model.errors import printable
from telemetry.model.keys import Key
from telemetry.model.toml_text import toml_value
from telemetry.model.words import capital

_WIDTH = 100
_CAUTION = """\
Copy every figure from a nameplate, a maker's sheet or a measurement; leave out what you do not know: the program then
says which figure it needs and why. A pack can burn and its terminals can give thousands of amperes: insulate tools,
take off rings and watches, open the main switch and measure before you touch. The maker's sheet, local codes and
licensed practice come before anything this program says. Never bypass a fuse, an interlock or the protection of the
pack."""
DEFAULTS: Mapping[str, object] = {"machine.name": "my machine", "pack.chemistry": "lfp", "pack.capacity_ah": 100.0}
"""What holds where nothing is answered; the number of cells follows the chemistry."""


def new_machine_text(
    answers: Mapping[str, object], sources: Sequence[Mapping[str, Any]] = (), *, with_defaults: bool = True
) -> str:
    """Return a commented machine file.

    Args:
        answers: values by section and key, such as ``{"pack.capacity_ah": 120.0}``, each valid for its key.
        sources: the ``[[source]]`` tables to write; without any, one is left as a comment.
        with_defaults: whether what is required and absent gets a default; else it is a comment like the rest, and
            the file must be completed by hand.

    """
    known = {**DEFAULTS, **answers} if with_defaults else dict(answers)
    chemistry = CHEMISTRIES.get(str(known.get("pack.chemistry")))
    if chemistry is not None and with_defaults:
        known.setdefault("pack.cells_in_series", chemistry.usual_cells)
    cells = int(str(known.get("pack.cells_in_series", 0)))
    parts = [_comment("A machine file: what the owner states of one machine. A key ends on its unit.")]
    parts += [_comment(_CAUTION)]
    for section in PLAIN_SECTIONS:
        title = f"{capital(TITLES[section]).removesuffix('; the same keys')}."
        stated = {name.split(".", 1)[1]: value for name, value in known.items() if name.split(".", 1)[0] == section}
        hints = _hints(section, chemistry, cells) if chemistry is not None and cells else ""
        lines = ["", f"[{section}]", *([_comment(title)] if not hints else [_comment(f"{title} {hints}")])]
        for key in section_keys(section):
            if section != "charge_wiring" or key.name in stated:
                lines += _key_lines(key, stated.get(key.name))
        if section == "charge_wiring":
            names = ", ".join(key.name for key in section_keys(section) if key.name not in stated)
            lines.append(_comment(f"The same keys as under [wiring], not yet stated: {names}."))
        parts += lines
    return "\n".join([*parts, "", *_source_lines(sources)]) + "\n"


def _key_lines(key: Key, value: object | None) -> list[str]:
    about = f"{capital(key.meaning)}: {key.takes}."
    if value is not None:
        return ["", _comment(about), f"{key.name} = {toml_value(value)}"]
    return ["", _comment(f"{about} Find it: {key.find}."), f"# {key.name} = ?"]


def _hints(section: str, chemistry: Chemistry, cells: int) -> str:
    """Return what the chemistry lets one expect of a section's figures, in a sentence; empty where nothing."""
    window = pack_window(chemistry, cells)
    match section:
        case "pack":
            return (
                f"By common practice {cells} {chemistry.label} cells are {window.nominal:.1f} V nominal and must "
                f"stay between {window.low:.1f} and {window.high:.1f} V; the maker's sheet wins."
            )
        case "charger":
            return (
                f"By common practice an ordinary charge of {cells} {chemistry.label} cells ends at "
                f"{cells * chemistry.charge_v:.1f} V; a charger made for another battery does harm."
            )
    return ""


def _source_lines(sources: Sequence[Mapping[str, Any]]) -> list[str]:
    about = (
        "Where readings come from: one [[source]] for each device. `shakedown sources` lists what is in reach. "
        "Drive off and look: while the pack gives current it must show as positive; where it shows minus, change "
        "sign_of_current."
    )
    lines = [_comment(about)]
    for source in sources:
        stated = {"driver": source["driver"], "sign_of_current": "discharge-positive", **source}
        seems = stated.pop("seems", "")
        lines += ["[[source]]", *([_comment(printable(f"Seems to be: {seems}", 200))] if seems else [])]
        lines += [*(f"{name} = {toml_value(value)}" for name, value in stated.items()), ""]
    if not sources:
        template = [
            "[[source]]",
            f'driver = "{USUAL_DRIVER}"',
            'port = "?"',
            'sign_of_current = "discharge-positive"',
        ]
        return [*lines, *(f"# {line}" for line in template)]
    return lines[:-1]


def _comment(text: str) -> str:
    paragraphs = text.replace("\n", " ")
    return "\n".join(f"# {line}" for line in textwrap.wrap(paragraphs, _WIDTH - 2, break_long_words=False))
