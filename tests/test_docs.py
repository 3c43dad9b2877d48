"""The docs say what the program does: commands, options, signals, links, examples.

``python -m tests.pages`` writes what is made from the program.
"""

from __future__ import annotations

import argparse
import gzip
import re
import subprocess
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from telemetry.machine.machine_file import parse_machine
from telemetry.model.signals import Signal, find_signal, known_names
from telemetry.pipeline.registry import check_settings, driver_names
from tests.pages import MACHINES, MADE, SHEETS, keeps, sheet

ROOT = Path(__file__).parents[1]

SIGNALS_PAGE = ROOT / "docs" / "signals.md"
COMMANDS_PAGES = (ROOT / "README.md", ROOT / "docs" / "commands.md")
# Whatever else lies at the top is either a mistake or a decision worth making on purpose.
TOP_LEVEL = {
    ".ci",
    ".github",
    ".gitignore",
    ".pre-commit-config.yaml",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "docs",
    "drivers",
    "pyproject.toml",
    "replay_data",
    "telemetry",
    "tests",
}

# Folders that a computer keeps for one person or for a while; a path into one means nothing anywhere else.
PRIVATE_PATH = re.compile(r"(?<![\w.~/-])/(?:home|root|tmp|work|Users|private)/[\w.-]+")

# What a name alone does not say about its sign; every other signal cannot be negative or needs no word.
SIGNS = {
    "pack_voltage": "below zero only where the leads are crossed",
    "auxiliary_voltage": "below zero only where the leads are crossed",
    "pack_current": "positive out of the pack (discharge), negative into it (charging, regenerative braking)",
    "pack_power": "as the current: positive out of the pack",
    "motor_current": "positive while it drives",
    "motor_speed": "positive forwards",
    "vehicle_speed": "positive forwards",
    "latitude": "positive north",
    "longitude": "positive east",
    "charger_input_power": "positive into the charger",
    "charge_current_average": "never positive: charging counts negative",
    "energy_margin": "negative: it will not be enough",
    "pack_resistance_change": "positive: more than before",
}

HEAD = """\
# Signals

Every quantity by its name in machine files, recordings and the store, with its unit.

**Current is positive out of the pack.** For a device that counts the other way, write `sign_of_current =
"charge-positive"` in its `[[source]]`.

Unknown is empty, never 0. A reading outside the range in brackets is unknown, and counted. The wide ranges (common
practice) catch a dead wire or a misread byte, but not a bad pack.

What is 0 or 1, or the number of a cell, holds its value between rows. Any other column is kept as `extra_NAME`, and
has no limits.
"""


def possible(signal: Signal) -> str:
    if signal.is_switch and (signal.low, signal.high) == (0.0, 1.0):
        return "0 or 1"
    return f"{_number(signal.low)} to {_number(signal.high)}"


def _number(value: float) -> str:
    text = f"{value:,.0f}" if value == int(value) else f"{value:g}"
    return text.replace(",", " ").replace("-", "−")


def signal_table(signals: list[Signal]) -> str:
    lines = []
    for signal in signals:
        words = [signal.meaning]
        if signal.name in SIGNS:
            words = [re.split(r", (?:positive|north|east)", signal.meaning)[0], SIGNS[signal.name]]
        unit = f", {signal.unit}" if signal.unit else ""
        limits = "" if signal.is_derived and not signal.is_switch else f" ({possible(signal)})"
        lines.append(f"- `{signal.name}`{unit}: {'; '.join(words)}{limits}")
    return "\n".join(lines) + "\n"


def every_signal() -> list[Signal]:
    return [signal for name in known_names() if (signal := find_signal(name)) is not None]


def signals_page() -> str:
    signals = every_signal()
    numbered = [signal for signal in signals if re.search(r"\d(_voltage)?$", signal.name)]
    measured = [signal for signal in signals if not signal.is_derived and signal not in numbered]
    derived = [signal for signal in signals if signal.is_derived]
    return "\n".join(
        [
            HEAD,
            "## Measured\n",
            signal_table(measured),
            "## Measured, one for each cell and sensor\n",
            "Cells are numbered from 01, from 100 on with three digits; temperature sensors from 1.\n",
            signal_table(numbered),
            "## Computed by the program\n",
            "Never read from a source; in a replay they are computed anew.\n",
            signal_table(derived),
        ]
    )


def pages() -> list[Path]:
    found = [path for path in ROOT.rglob("*.md") if not {".venv", "node_modules"} & set(path.relative_to(ROOT).parts)]
    assert found
    return sorted(path for path in found if not any(part.startswith(".") for part in path.relative_to(ROOT).parts))


def option_actions() -> dict[str, list[argparse.Action]]:
    """The options of every command but ``--help``, by the command's name."""
    from telemetry.cli import build_parser

    subparsers = next(action for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction))
    return {
        command: [each for each in parser._actions if each.option_strings and each.dest != "help"]
        for command, parser in subparsers.choices.items()
    }


def options() -> list[tuple[str, str]]:
    """Every command with each of its options: (command, option)."""
    return [
        (command, name) for command, found in option_actions().items() for a in found for name in a.option_strings
    ]


def option_tables() -> dict[str, str]:
    """Return the lists of options in docs/commands.md by their names; what commands share is in one of its own."""
    rows = {
        command: [(_option_words(action), (action.help or "").replace("%%", "%")) for action in actions]
        for command, actions in option_actions().items()
    }
    shared: dict[str, str] = {}
    for (words, meaning), times in Counter(row for found in rows.values() for row in found).most_common():
        if times > 1:
            shared.setdefault(words, meaning)
    made = {"shared options": _listed(shared.items())}
    for command, found in rows.items():
        own = [row for row in found if row not in shared.items()]
        names = [f"`{words.split()[0].strip('`')}`" for words, meaning in found if shared.get(words) == meaning]
        parts = [_listed(own)] if own else []
        parts += [f"Also: {', '.join(names)}."] if names else []
        if parts:
            made[f"options of {command}"] = "\n\n".join(parts)
    return made


def _listed(rows: Iterable[tuple[str, str]]) -> str:
    return "\n".join(f"- {words}: {meaning}" for words, meaning in rows)


def _option_words(action: argparse.Action) -> str:
    takes = action.choices or (str(action.metavar).split("|") if action.metavar else [""])
    return " or ".join(f"`{action.option_strings[-1]} {each}`".replace(" `", "`") for each in takes)


def sections(page: Path) -> dict[str, str]:
    """Return the text under each heading that names a command, by that name."""
    parts = re.split(r"^#+ +(.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {parts[i].strip().strip("`").removeprefix("shakedown "): parts[i + 1] for i in range(1, len(parts), 2)}


def fenced(page: Path, language: str) -> list[str]:
    text = page.read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def anchors(page: Path) -> set[str]:
    """Return what a link to a heading of ``page`` may name: lower case, blanks as dashes, other signs left out."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    headings = re.findall(r"^#+ +(.*?) *$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def links() -> Iterator[tuple[Path, str]]:
    for page in pages():
        text = re.sub(r"^```.*?^```|`[^`\n]*`", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
        for target in re.findall(r"\]\(([^)\s]+)\)", text):
            if not re.match(r"[a-z]+:", target):
                yield page, target


def test_the_signals_page_is_current() -> None:
    assert SIGNALS_PAGE.read_text(encoding="utf-8") == signals_page(), "run: python -m tests.pages"


@pytest.mark.parametrize("name", known_names())
def test_every_signal_is_described(name: str) -> None:
    assert f"\n- `{name}`" in SIGNALS_PAGE.read_text(encoding="utf-8")


def test_every_sign_told_belongs_to_a_signal() -> None:
    assert set(SIGNS) <= set(known_names())


def test_signals_that_can_be_negative_say_what_that_means() -> None:
    temperatures = {signal.name for signal in every_signal() if signal.unit == "degC"}
    voltages_of_lines = {
        "controller_voltage",
        "throttle_voltage",
        "enable_voltage",
        "soc_estimated",
        "soc_lower_bound",
    }
    negative = {signal.name for signal in every_signal() if signal.low < 0}
    assert negative - temperatures - voltages_of_lines <= set(SIGNS)


def commands_page() -> Path:
    page = COMMANDS_PAGES[1]
    if not page.exists():
        pytest.skip("docs/commands.md is not written yet")
    return page


def test_every_command_has_its_section() -> None:
    assert {command for command, _ in options()} <= set(sections(commands_page()))


def test_every_option_is_described_with_its_command() -> None:
    described = sections(commands_page())
    missing = [
        f"{command} {option}"
        for command, option in options()
        if not re.search(rf"{re.escape(option)}(?![\w-])", described.get(command, ""))
    ]
    assert missing == []


@pytest.mark.parametrize("name", option_tables())
def test_the_options_are_those_of_the_program(name: str) -> None:
    assert keeps("commands", name, option_tables()[name]), "run: python -m tests.pages"


@pytest.mark.parametrize("page", MADE)
def test_the_tables_of_a_page_are_those_of_the_program(page: str) -> None:
    assert [name for name, text in MADE[page]().items() if not keeps(page, name, text)] == [], "python -m tests.pages"


@pytest.mark.parametrize("name", SHEETS)
def test_what_lies_beside_the_example_is_what_is_printed(name: str) -> None:
    assert (MACHINES / name).read_text(encoding="utf-8") == sheet(name), "run: python -m tests.pages"


def test_no_option_is_described_that_is_not_there() -> None:
    known = {option for _, option in options()} | {"--help", "--version"}
    told = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", commands_page().read_text(encoding="utf-8")))
    assert told <= known


def test_every_link_leads_somewhere() -> None:
    broken = []
    for page, target in links():
        path, _, anchor = target.partition("#")
        goal = (page.parent / path).resolve() if path else page
        if not goal.exists() or (anchor and goal.suffix == ".md" and anchor not in anchors(goal)):
            broken.append(f"{page.relative_to(ROOT)}: {target}")
    assert broken == []


def test_every_toml_example_is_toml() -> None:
    for page in pages():
        for block in fenced(page, "toml"):
            try:
                tomllib.loads(block)
            except tomllib.TOMLDecodeError as error:
                pytest.fail(f"{page.relative_to(ROOT)}: {error} in:\n{block}")


def test_every_source_in_an_example_passes_its_drivers_check() -> None:
    """Save for what is said of files that an example names and nobody has."""
    pack = '[pack]\nchemistry = "lfp"\ncells_in_series = 20\ncapacity_ah = 100\n'
    absent = ("cannot be read (No such file", "there is no file", "is not there; check the name")
    wrong, drivers = [], set()
    for page in pages():
        for block in fenced(page, "toml"):
            sources = tomllib.loads(block).get("source")
            if isinstance(sources, list):
                drivers |= {source["driver"] for source in sources}
                text = block if "[pack]" in block else pack + block
                wrong += [str(each) for each in parse_machine(text, page.name, check_settings)[1]]
    assert [each for each in wrong if not any(words in each for words in absent)] == []
    assert drivers == set(driver_names()) - {"replay", "simulated-machine"}


@pytest.mark.parametrize("marker", ["run", "test"])
def test_the_readme_gives_one_line_to_run_and_one_to_test(marker: str) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    if f"<!-- {marker} -->" not in text:
        pytest.skip(f"README.md has no line marked {marker} yet")
    found = re.findall(rf"<!-- {marker} -->\s*```\w*\n(.*?)```", text, flags=re.DOTALL)
    assert len(found) == 1
    assert len(found[0].strip().splitlines()) == 1


def tracked() -> list[str]:
    """Return the path of every file under version control, with slashes, or skip."""
    try:
        listed = subprocess.run(
            ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=20
        )
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this is no git checkout")
    return [name for name in listed.stdout.split("\0") if name]


def text_of(path: Path) -> str:
    """Return what ``path`` holds, unpacked where it is packed; bytes that are no text do no harm."""
    content = path.read_bytes()
    return (gzip.decompress(content) if path.suffix == ".gz" else content).decode("utf-8", "replace")


def paths_of_a_computer(text: str) -> list[str]:
    """Return what in ``text`` is a path that only the computer it was written on has."""
    return [found for found in PRIVATE_PATH.findall(text) if found] + [here for here in (str(ROOT),) if here in text]


def test_nothing_new_lies_at_the_top() -> None:
    assert {name.partition("/")[0] for name in tracked()} <= TOP_LEVEL


def test_no_file_leads_to_one_developers_computer() -> None:
    there = [ROOT / name for name in tracked() if (ROOT / name).is_file()]
    assert there
    found = {path.relative_to(ROOT).as_posix(): paths_of_a_computer(text_of(path)) for path in there}
    assert {name: paths for name, paths in found.items() if paths} == {}


@pytest.mark.parametrize("folder", ["home", "root", "tmp", "Users"])
def test_a_path_of_a_computer_is_told_from_others(folder: str) -> None:
    assert paths_of_a_computer(f"see '/{folder}/someone/mow.csv'.") == [f"/{folder}/someone"]
    assert paths_of_a_computer(f"see ~/{folder}/mow.csv, docs/{folder}/mow.csv and /dev/serial/by-id/one") == []
