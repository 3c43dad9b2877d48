"""Tables and outputs that the documentation keeps between two marks, made from the program.

``python -m tests.pages`` writes them all again. The tests compare: nothing here is written by hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from fnmatch import fnmatchcase
from pathlib import Path

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"


def block(name: str, text: str) -> str:
    """Return ``text`` between the marks under which a page keeps it."""
    return f"<!-- {name} -->\n\n{text}\n\n<!-- end of {name} -->"


def keeps(page: str, name: str, text: str) -> bool:
    """Return whether a page, by its name without ``.md``, keeps ``text`` under that name."""
    return block(name, text) in (DOCS / f"{page}.md").read_text(encoding="utf-8")


def write(page: str, made: Mapping[str, str]) -> None:
    """Put each text in place of what the page keeps under its name."""
    path = DOCS / f"{page}.md"
    text = path.read_text(encoding="utf-8")
    for name, new in made.items():
        kept = re.compile(rf"<!-- {re.escape(name)} -->.*?<!-- end of {re.escape(name)} -->", re.DOTALL)
        if not kept.search(text):
            raise ValueError(f"{path} has no {name}")
        text = kept.sub(lambda _, name=name, new=new: block(name, new), text)  # type: ignore[misc]
    path.write_text(text, encoding="utf-8")


def table(head: str, rows: list[list[str]]) -> str:
    """Return a Markdown table; ``head`` names the columns, separated by ``|``."""
    columns = [column.strip() for column in head.split("|")]
    lines = [columns, ["---"] * len(columns), *rows]
    return "\n".join(f"| {' | '.join(line)} |".replace("| --- ", "|---").replace("|--- |", "|---|") for line in lines)


def alarm_tables() -> dict[str, str]:
    """Return the tables of docs/alarms.md by their names."""
    from telemetry.alarms.acts import ACT_TABLE, MOVING, SITUATIONS
    from telemetry.alarms.priorities import PRIORITY_TABLE
    from telemetry.alarms.states import TRANSITIONS

    masks = {"shelved", "suppressed", "removed"}
    transitions = [
        [f"*{state}*", ", ".join(f"`{event}` → *{after}*" for event, after in row.items() if event not in masks)]
        for state, row in TRANSITIONS.items()
    ]
    whiles = {SITUATIONS: "always", MOVING: "moving"}
    acts = [
        [
            "any other" if row.limit == "*" else f"`{row.limit}`",
            " and ".join(row.levels),
            whiles.get(row.situations) or ", ".join(row.situations),
            row.word or "none",
            row.do.replace("{bound}", "the limit"),
        ]
        for row in ACT_TABLE
    ]
    priorities = [[f"`{row.limit}`", row.warn, row.trip, row.reason] for row in PRIORITY_TABLE]
    return {
        "transitions": table("from | to", transitions),
        "acts": table("limit | level | while | word | act", acts),
        "priorities": table("limit | warn | trip | why", priorities),
    }


def limit_tables() -> dict[str, str]:
    """Return the tables of docs/limits.md by their names."""
    from telemetry.machine.chemistry import document_chemistries, document_provenance
    from telemetry.machine.limit_values import PLAUSIBLE
    from telemetry.model.signals import find_signal, known_names

    def unit(pattern: str) -> str:
        first = (next((each for each, _, _ in PLAUSIBLE if fnmatchcase(name, each)), "") for name in known_names())
        name = next(name for name, each in zip(known_names(), first, strict=True) if each == pattern)
        signal = find_signal(name)
        return "" if signal is None else {"degC": "°C", "ohm": "Ω"}.get(signal.unit, signal.unit)

    ranges = [[f"`{each}`", f"{low:.10g} to {high:.10g} {unit(each)}".rstrip()] for each, low, high in PLAUSIBLE]
    return {
        "chemistries": f"{document_chemistries().rstrip()}\n\n{document_provenance().rstrip()}",
        "plausible bounds": table("signal | plausible bound", ranges),
    }


def security_tables() -> dict[str, str]:
    """Return the table of docs/security.md by its name."""
    from drivers.links.can_settings import ALLOWED

    rows = [[f"`{name}`", ", ".join(f"`{each}`" for each in options)] for name, options in ALLOWED.items()]
    return {"options of interfaces": table("interface | options", rows)}


def machine_file_tables() -> dict[str, str]:
    """Return the tables of docs/machine-file.md, all under one name."""
    from telemetry.machine.document import document_keys

    return {"keys": document_keys().rstrip()}


MADE: Mapping[str, Callable[[], dict[str, str]]] = {
    "alarms": alarm_tables,
    "limits": limit_tables,
    "machine-file": machine_file_tables,
    "security": security_tables,
}
"""By page, what is made from the program alone; the tests of ``fit`` and of the commands make the rest."""


def main() -> None:
    """Write everything that is made."""
    from tests import test_docs
    from tests.cli import test_fit
    from tests.drivers import test_settings_pages

    for page, made in MADE.items():
        write(page, made())
    for page, made_tables in test_settings_pages.tables().items():
        write(page, made_tables)
    write("commands", test_docs.option_tables())
    test_docs.SIGNALS_PAGE.write_text(test_docs.signals_page(), encoding="utf-8")
    test_fit.write()


if __name__ == "__main__":
    main()
