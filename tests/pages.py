"""Tables and outputs that the documentation keeps between two marks, made from the program.

``python -m tests.pages`` writes them all again. The tests compare: nothing here is written by hand.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from tempfile import TemporaryDirectory

from telemetry.model.keys import Key
from telemetry.model.toml_text import toml_value

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
MACHINES = DOCS / "machines"
RESULTS = ROOT / "tests" / "results.md"
"""What was measured, as the measuring programs keep it."""
SHEETS = {"good-retrofit-first-power.txt": "first-power --print", "good-retrofit-limits.txt": "limits"}
"""What lies beside the example machine, and the command that prints it."""


def block(name: str, text: str) -> str:
    """Return ``text`` between the marks under which a page keeps it."""
    return f"<!-- {name} -->\n\n{text}\n\n<!-- end of {name} -->"


def _path(page: str) -> Path:
    return RESULTS if page == RESULTS.stem else DOCS / f"{page}.md"


def keeps(page: str, name: str, text: str) -> bool:
    """Return whether a page, by its name without ``.md``, keeps ``text`` under that name."""
    return block(name, text) in _path(page).read_text(encoding="utf-8")


def write(page: str, made: Mapping[str, str]) -> None:
    """Put each text in place of what the page keeps under its name."""
    path = _path(page)
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


def columns(rows: Sequence[Sequence[str]]) -> str:
    """Return rows, the head first, as fenced text in columns that a terminal shows as they are."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ["  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join(["```text", *lines, "```"])


def sheet(name: str) -> str:
    """Return what the command of :data:`SHEETS` prints for the example machine, with an empty store."""
    with TemporaryDirectory() as folder:
        words = [*SHEETS[name].split(), str(MACHINES / "good-retrofit.toml"), "--store", f"{folder}/store.sqlite3"]
        done = subprocess.run(
            [sys.executable, "-m", "telemetry.cli", *words],
            capture_output=True,
            check=True,
            timeout=60,
            env=os.environ | {"PYTHONIOENCODING": "utf-8"},
        )
    return done.stdout.decode("utf-8")


def alarm_tables() -> dict[str, str]:
    """Return the tables of docs/alarms.md by their names."""
    from telemetry.alarms.priorities import PRIORITY_TABLE
    from telemetry.alarms.states import TRANSITIONS

    masks = {"shelved", "suppressed", "removed"}
    transitions = [
        [f"*{state}*", ", ".join(f"`{event}` → *{after}*" for event, after in row.items() if event not in masks)]
        for state, row in TRANSITIONS.items()
    ]
    of_levels: dict[tuple[str, str], list[str]] = {}
    for row in PRIORITY_TABLE:
        name = "any other" if row.limit == "*" else f"`{row.limit}`"
        of_levels.setdefault((row.warn, row.trip), []).append(f"{name}: {row.reason}")
    priorities = [[*levels, ".<br>".join(limits)] for levels, limits in of_levels.items()]
    return {
        "transitions": table("from | to", transitions),
        "acts": _acts(),
        "priorities": table("warn | trip | limits, and why", priorities),
    }


def _acts() -> str:
    """Return the acts, one row a limit; in each column the first row that fits and has something there counts."""
    from telemetry.alarms.acts import ACT_TABLE

    order = dict.fromkeys(row.limit for row in reversed(ACT_TABLE))  # a pattern after every limit that it fits
    of_cells: dict[tuple[str, ...], list[str]] = {}
    for limit in reversed(order):
        cells = []
        for situation in ("driving", "charging", "resting"):
            rows = [row for row in ACT_TABLE if row.limit == limit and situation in row.situations]
            acts = [f"{row.word}: {row.do}" if row.word else row.do for row in rows]
            levels = ["" if len(row.levels) == 2 else f"*{row.levels[0]}* " for row in rows]
            told = (f"{level}{act}" for level, act in zip(levels, acts, strict=True))
            cells.append("<br>".join(told).replace("{bound}", "the limit"))
        if cells[2] == cells[1]:
            cells[2] = "as charging"
        of_cells.setdefault(tuple(cells), []).append("any other" if limit == "*" else f"`{limit}`")
    rows = [[", ".join(limits), *cells] for cells, limits in of_cells.items()]
    return table("limit | moving | charging | resting", rows)


def limit_tables() -> dict[str, str]:
    """Return the tables of docs/limits.md by their names."""
    from telemetry.machine.chemistry import CHEMISTRIES
    from telemetry.machine.limit_values import PLAUSIBLE
    from telemetry.model.signals import find_signal, known_names

    def unit(pattern: str) -> str:
        first = (next((each for each, _, _ in PLAUSIBLE if fnmatchcase(name, each)), "") for name in known_names())
        name = next(name for name, each in zip(known_names(), first, strict=True) if each == pattern)
        signal = find_signal(name)
        return "" if signal is None else {"degC": "°C", "ohm": "Ω"}.get(signal.unit, signal.unit)

    provenance = "\n".join(f"- `{each.name}` ({each.title}): {each.known_from}." for each in CHEMISTRIES.values())
    ranges = [f"`{each}` {low:.10g} to {high:.10g} {unit(each)}".rstrip() for each, low, high in PLAUSIBLE]
    return {
        "delays": _delays(),
        "chemistries": f"{_chemistries()}\n\n{provenance}",
        "plausible bounds": "; ".join(ranges) + ".",
    }


def _delays() -> str:
    """Return delays and margins on the machine of the docs, with what it lacks to have every limit in force."""
    from telemetry.machine.limits import LIMIT_NAMES, limits_for
    from telemetry.machine.limits_history import ResistanceHistory
    from telemetry.machine.machine_file import parse_machine
    from telemetry.model.signals import find_signal

    text = (MACHINES / "good-retrofit.toml").read_text(encoding="utf-8")
    text = text.replace("[machine]\n", "[machine]\nworking_width_m = 1.2\n")
    text = text.replace("[work]\n", "[work]\narea_ha = 1\n")
    text += "\n[fault_codes.extra_faults]\nbit_0 = 'one'\n"
    text += "[limits.cell-spread]\nwarn = 0.05\n[limits.cell-spread-top]\nwarn = 0.2\n"
    machine, problems = parse_machine(text, "good-retrofit.toml")
    assert machine is not None, problems
    limits = {
        limit.name: limit for limit in limits_for(machine, ResistanceHistory((0.02,) * 5, (20.0,) * 5, (50.0,) * 5))
    }
    rows = []
    for limit in (limits[name] for name in LIMIT_NAMES):
        signal = find_signal(limit.signal.replace("*", "1"))
        if signal is None:
            continue  # a condition without a number
        unit = {"degC": "°C", "ohm": "Ω"}.get(signal.unit, signal.unit)
        delays = f"{limit.raise_delay_s:g} s, {limit.clear_delay_s:g} s, {limit.clear_margin:g} {unit}".rstrip()
        rows.append(f"- `{limit.name}` (`{limit.signal}`): {delays}")
    return "\n".join(["Limit (signal): raise delay, clear delay, clear margin.", "", *rows])


def _chemistries() -> str:
    from telemetry.machine.chemistry import CHEMISTRIES

    volts = {"least": "minimum_v", "warn low": "low_warn_v", "nominal": "nominal_v", "charge to": "charge_v"}
    volts |= {"warn high": "high_warn_v", "most": "maximum_v", "trip high": "high_trip_v"}
    volts |= {"spread warn": "spread_warn_v", "spread trip": "spread_trip_v"}
    rows = [
        [
            each.name,
            *(f"{getattr(each, name):.2f}" for name in volts.values()),
            f"{each.charge_low_c:g} to {each.charge_high_c:g}",
            f"{each.discharge_low_c:g} to {each.discharge_high_c:g}",
        ]
        for each in CHEMISTRIES.values()
    ]
    head = [["volts a cell:", *(name.split()[0] for name in volts), "charge", "use"]]
    head += [["", *(name.partition(" ")[2] for name in volts), "°C", "°C"]]
    return columns([*head, *rows])


_SHORT = {
    r"^a (?:whole )?number(?: from \S+ to [^,\s]+)?(?:, in .*)?$": "",
    r"a (?:whole )?number from \S+ to [^,\s]+": "a number",
    r"text in quotes, up to \d+ characters": "text",
    r", without quotes": "",
    r"a table of (?:[\w-]+, ){5,}[\w-]+": "a table",
}
"""What a key takes, in the fewer words of a table: a number's unit is in its name, its range in the schema."""


MANY = 3
"""From so many keys on a place where they are found is named once, for all."""


def key_rows(keys: Sequence[Key]) -> list[str]:
    """Return keys as the lines of a Markdown list, each with where its value is found, but for the usual place."""
    usual, times = Counter(key.find for key in keys).most_common(1)[0]
    one_place = times >= MANY

    def row(key: Key) -> str:
        name = f"`{key.name}`{' **(required)**' if key.required else ''}"
        default = f"default `{toml_value(key.default)}`" if key.has_default else ""
        takes = key.takes
        for words, few in _SHORT.items():
            takes = re.sub(words, few, takes)
        takes = "" if isinstance(key.default, bool) else takes
        find = "" if one_place and key.find == usual else f" (*{key.find}*)"
        return f"- {name}: {'; '.join(filter(None, (key.meaning, takes, default)))}{find}"

    where = ["", f"Where no place is named: {usual}."] if one_place else []
    return [*map(row, keys), *where]


def screen_tables() -> dict[str, str]:
    """Return the table of keys in docs/screen.md by its name."""
    from telemetry.screen.keys import ALL, KEYS, VIEWS

    of_views: dict[str, list[str]] = {}
    for key in KEYS:
        views = "all" if key.views == ALL else ", ".join(VIEWS[view] for view in key.views)
        views = "all but traces" if set(key.views) == set(ALL) - {"3"} else views
        only = f", {key.need}" if key.need in ("replay", "review") else ""
        of_views.setdefault(f"{views}{only}", []).append(f"`{key.shown}` {key.does}")
    return {"keys": "\n".join(f"- **{views}**: {'; '.join(keys)}" for views, keys in of_views.items())}


def security_tables() -> dict[str, str]:
    """Return the table of docs/security.md by its name."""
    from drivers.links.can_settings import ALLOWED

    rows = [f"- `{name}`: {', '.join(f'`{each}`' for each in options)}" for name, options in ALLOWED.items()]
    return {"options of interfaces": "\n".join(rows)}


def machine_file_tables() -> dict[str, str]:
    """Return the tables of docs/machine-file.md, all under one name."""
    from telemetry.machine.sections import SECTIONS, TITLES, section_keys
    from telemetry.model.keys import header_of

    parts = []
    for section in SECTIONS:
        parts.append(f"### `{header_of(section)}`: {TITLES[section]}\n")
        if section == "charge_wiring":
            parts.append("See `[wiring]`.\n")
            continue
        parts += [*key_rows(section_keys(section)), ""]
    return {"keys": "\n".join(parts).rstrip()}


def guided_tables() -> dict[str, str]:
    """Return the table of docs/guided-drive.md that is made from the steps."""
    from telemetry.guided.steps import STEPS

    times = Counter(caution for step in STEPS for caution in step.cautions)
    usual = [caution for caution, count in times.items() if count >= MANY]
    parts = [f"**Wherever you drive**: {' '.join(usual)}"]
    for step in STEPS:
        cautions = " ".join(caution for caution in step.cautions if caution not in usual)
        names = ", ".join(f"`{name}`" for name in step.signals) or "none"
        more = ", ".join(f"`{name}`" for name in step.more)
        parts.append(
            f"**{step.title}**: {step.do}\n\n"
            + (f"- **Caution**: {cautions}\n" if cautions else "")
            + f"- Must show: {step.seen}\n- Gives: {step.figure}\n- Bounds: {step.bounds}\n- Signals: {names}"
            + (f"; lets more be judged: {more}" if more else "")
        )
    return {"steps": "\n\n".join(parts), "told apart": _told_apart(), "errors": _errors()}


def _told_apart() -> str:
    """Return how many attempts were told apart, in one sentence."""
    _, well, judged, badly, refused, otherwise, accepted = _cells(_measured("runs", "end of runs")[-1])
    return (
        f"Of {well} steps done well {judged} were judged. Of {badly} done badly {refused} were refused for the "
        f"right reason, {otherwise} for another, and {accepted} were accepted."
    )


def _errors() -> str:
    """Return how far the figures of guided drives were off."""
    rows = [_cells(line) for line in _measured("figures", "end of figures")[2:]]
    return table(
        "figure | given in | nine of ten within | held by its 90 % interval",
        [
            [row[0], f"{row[3]} of {row[2]}", f"{row[5]}{' times' if row[1][0].isdigit() else ''} {row[1]}", row[7]]
            for row in rows
        ],
    )


def _measured(name: str, end: str) -> list[str]:
    """Return the lines that tests/results.md keeps between two marks."""
    text = RESULTS.read_text(encoding="utf-8")
    return text.partition(f"<!-- {name} -->")[2].partition(f"<!-- {end} -->")[0].strip().split("\n")


def _cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip("|").split("|")]


def trust_tables() -> dict[str, str]:
    """Return the table of docs/trust.md, one row a promise: what was tried, and the worst of it."""
    of_promise: dict[str, list[list[str]]] = {}
    for line in _measured("faults", "end of faults")[2:]:
        row = _cells(re.sub(r"<a id=.*?</a>", "", line))
        of_promise.setdefault(row[1], []).append(row)
    rows = []
    for promise, tried in of_promise.items():
        links = [match[1] for row in tried if (match := re.match(r"An? (.+?) link is ", row[0]))]
        faults = [row[0] for row in tried] if len(links) < 2 else [f"{tried[0][0]}: {', '.join(links)}"]
        faults = [re.sub(r"^An? .+? link is (?=.*:)", "A link is ", each) for each in faults]
        worst = max(float(row[3].split()[0]) if row[3] != "-" else 0.0 for row in tried)
        kept = "" if {row[6] for row in tried} == {"kept"} else " **not kept**"
        count = f"{sum(int(row[2]) for row in tried):,}"
        loss = f"worst loss {worst:.2f} s" if worst else "nothing lost"
        rows.append(f"- **{promise}**{kept} ({count} tries, {loss}): {'; '.join(faults)}")
    return {"faults": "\n".join(rows)}


def calibration_tables() -> dict[str, str]:
    """Return the table of docs/calibration.md: all sessions of each figure, and the kind that held least often."""
    from tests.calibration.figures import FIGURES

    rows = []
    for name, figure in FIGURES.items():
        kinds = [_cells(line) for line in _measured(name, "end") if line.startswith("| ")][1:]
        if not kinds:
            continue  # judged, but never written into the results
        whole = kinds.pop()
        least = min(kinds, key=lambda kind: float(kind[4].split()[0]), default=None)
        held = f"{least[0]}: {least[4]}" if least else ""
        rows.append([figure.title, whole[1], f"± {whole[3]} {figure.unit}", whole[4], held])
    return {"calibration": table("figure | sessions | stated | held, % | held least, %", rows)}


MADE: Mapping[str, Callable[[], dict[str, str]]] = {
    "alarms": alarm_tables,
    "calibration": calibration_tables,
    "guided-drive": guided_tables,
    "limits": limit_tables,
    "machine-file": machine_file_tables,
    "screen": screen_tables,
    "security": security_tables,
    "trust": trust_tables,
}
"""By page, what is made from the program, or of what was measured; tests of their own make the rest."""


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
    for name in SHEETS:
        (MACHINES / name).write_text(sheet(name), encoding="utf-8")


if __name__ == "__main__":
    main()
