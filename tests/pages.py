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
    """Return the lists of docs/alarms.md by their names."""
    return {"acts": _acts(), "suppressed": _suppressed(), "priorities": _priorities()}


def _limit_name(pattern: str) -> str:
    return "any other" if pattern == "*" else f"`{pattern}`"


def _acts() -> str:
    """Return the acts of a moving machine, each with the limits that ask for it; those without a word come last."""
    from telemetry.alarms.acts import ACT_TABLE

    limits: dict[tuple[str, str], list[str]] = {}
    for row in ACT_TABLE:
        if "driving" in row.situations and row.do:
            level = "" if len(row.levels) == 2 else f" ({row.levels[0]})"
            limits.setdefault((row.word, row.do), []).append(_limit_name(row.limit) + level)
    words = list(dict.fromkeys(word for word, _ in limits if word))
    rows = sorted(limits.items(), key=lambda each: words.index(each[0][0]) if each[0][0] else len(words))
    lines = [f"- {f'**{word}**: ' if word else ''}{do} {', '.join(found)}" for (word, do), found in rows]
    return "\n".join(lines).replace("{bound}", "the limit")


def _suppressed() -> str:
    """Return which limits are quiet by design, by the condition and the levels."""
    from telemetry.alarms.rules import SUPPRESSION_TABLE

    limits: dict[tuple[str, str], list[str]] = {}
    for row in SUPPRESSION_TABLE:
        limits.setdefault((row.condition, " and ".join(row.levels)), []).append(_limit_name(row.limit))
    return "\n".join(f"- while {state}, {levels}: {', '.join(each)}" for (state, levels), each in limits.items())


def _priorities() -> str:
    """Return which limits have which priority, by warn and trip."""
    from telemetry.alarms.priorities import PRIORITY_TABLE

    of_levels: dict[tuple[str, str], list[str]] = {}
    for row in PRIORITY_TABLE:
        of_levels.setdefault((row.warn, row.trip), []).append(_limit_name(row.limit))
    return "\n".join(f"- warn {warn}, trip {trip}: {', '.join(each)}" for (warn, trip), each in of_levels.items())


def limit_tables() -> dict[str, str]:
    """Return the table of docs/limits.md by its name."""
    from telemetry.machine.chemistry import CHEMISTRIES

    provenance = "\n".join(f"- `{each.name}` ({each.title}): {each.known_from}." for each in CHEMISTRIES.values())
    return {"chemistries": f"{_chemistries()}\n\n{provenance}"}


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
    r"^text in quotes, up to \d+ characters$": "",
    r"text in quotes, up to \d+ characters": "text",
    r"^true or false$": "",
    r", without quotes": "",
    r'^two hexadecimal digits a byte, such as "A5 5A"$': "",
    r'^four hexadecimal digits, such as "180F", or the long form$': 'such as "180F"',
    r"^a table; behind each name a signal.s name, .*, or a table of .*$": "a table",
    r'a signal.s name, such as "pack_voltage", or extra_NAME': "a signal's name, or extra_NAME",
    r"^a table; behind each name a list of names, .*$": "a table",
    r'^(a list of \["YYYY.*), such as .*$': r"\1",
    r"a table of (?:[\w-]+, ){5,}[\w-]+": "a table",
}
"""What a key takes, in the fewer words of a table: a number's unit is in its name, its range in the schema."""


MOST_LOST = 4
"""As many faults are shown that lost most."""
ALWAYS_NEEDED = ("pack_current", "pack_voltage")
"""Signals that the page on guided drives names once, for all steps."""
MANY = 3
"""A caution of so many steps is given once, for all."""


def key_rows(keys: Sequence[Key]) -> list[str]:
    """Return keys as the lines of a Markdown list; where a value is found the program says, key by key."""

    def row(key: Key) -> str:
        name = f"`{key.name}`{' **(required)**' if key.required else ''}"
        default = f"default `{toml_value(key.default)}`" if key.has_default else ""
        takes = key.takes
        for words, few in _SHORT.items():
            takes = re.sub(words, few, takes)
        if isinstance(key.default, bool) or key.meaning.endswith("see below"):
            takes = ""
        return f"- {name}: {'; '.join(filter(None, (key.meaning, takes, default)))}"

    return [*map(row, keys)]


def screen_tables() -> dict[str, str]:
    """Return the table of keys in docs/screen.md by its name."""
    from telemetry.screen.keys import ALL, KEYS, VIEWS

    of_views: dict[str, list[str]] = {}
    for key in KEYS:
        if key.shown in VIEWS:
            continue  # in the table of views
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
    all_chemistries = re.compile(r'one of "lfp", [^;\n]*"lead-agm"')
    text = "\n".join(parts).rstrip()
    first = all_chemistries.search(text)
    assert first
    later = all_chemistries.sub("as `[pack] chemistry`", text[first.end() :])
    return {"keys": text[: first.end()] + later.replace('chemistry`, "', 'chemistry`, or "')}


def guided_tables() -> dict[str, str]:
    """Return the table of docs/guided-drive.md that is made from the steps."""
    from telemetry.guided.steps import STEPS

    times = Counter(caution for step in STEPS for caution in step.cautions)
    usual = [caution for caution, count in times.items() if count >= MANY]
    parts = [f"**Wherever you drive**: {' '.join(usual)}"]
    for step in STEPS:
        read = (*step.cautions, step.reading.caution) if step.reading else step.cautions
        cautions = " ".join(caution for caution in read if caution and caution not in usual)
        needs = ", ".join(f"`{name}`" for name in step.signals if name not in ALWAYS_NEEDED)
        more = ", ".join(f"`{name}`" for name in step.more)
        signals = [*([f"needs {needs}"] if needs else []), *([f"better with {more}"] if more else [])]
        parts.append(
            f"**{step.title}**: {step.do}\n\n"
            + (f"- **Caution**: {cautions}\n" if cautions else "")
            + f"- Gives: {step.figure}\n- Bounds: {step.bounds}"
            + (f"\n- Signals: {'; '.join(signals)}" if signals else "")
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
    """Return how often the intervals of guided drives held, in one sentence."""
    rows = [_cells(line) for line in _measured("figures", "end of figures") if line.startswith("|")][2:]
    held = [(int(row[7].split()[0]), row[0]) for row in rows]
    (least, figure), (most, _) = min(held), max(held)
    return (
        f"In long simulated drives the 90 % intervals of {len(rows)} figures held the truth in {least} % ({figure}) "
        f"to {most} %: [figure by figure](../tests/results.md#guided-drives)."
    )


def _measured(name: str, end: str) -> list[str]:
    """Return the lines that tests/results.md keeps between two marks."""
    text = RESULTS.read_text(encoding="utf-8")
    return text.partition(f"<!-- {name} -->")[2].partition(f"<!-- {end} -->")[0].strip().split("\n")


def _cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip("|").split("|")]


def trust_tables() -> dict[str, str]:
    """Return the summary of docs/trust.md: how much was tried, what was not kept, and where most was lost."""
    rows = [_cells(re.sub(r"<a id=.*?</a>", "", line)) for line in _measured("faults", "end of faults")[2:]]
    tries = sum(int(row[2]) for row in rows)
    broken = [row[0] for row in rows if row[6] != "kept"]
    kept = f"Not kept: {'; '.join(broken)}." if broken else "Every promise was kept."
    lost = sorted(((float(row[3].split()[0]), row) for row in rows if row[3] != "-"), reverse=True)
    lines = [f"- {row[0]}: {worst:.2f} s; {row[1]}" for worst, row in lost[:MOST_LOST]]
    head = f"{len(rows)} kinds of fault were caused {tries:,} times. {kept} These lost most:"
    return {"faults": "\n".join([head, "", *lines])}


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
        title = figure.title.replace(", per cent of the true one", "")
        rows.append([title, whole[1], f"± {whole[3]} {figure.unit}", whole[4], held])
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
