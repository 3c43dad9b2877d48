"""The command ``fit`` as its user meets it, and its page of documentation.

``python -m tests.pages`` writes the tables and outputs of docs/fit.md, and docs/machines/*.txt.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.machine.ampacity import BUNDLE_FACTORS, INSULATIONS_C, ambient_factor
from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.conductors import (
    CLASS_5_OHM_PER_KM,
    GAUGES,
    Gauge,
)
from telemetry.machine.fit import CHECKS, fit
from telemetry.machine.machine_file import load_machine
from telemetry.machine.sections import find_key
from telemetry.report.fit_text import look_up_lines
from tests import pages
from tests.pages import columns, keeps

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "fit.md"
MACHINES = ROOT / "docs" / "machines"
AMBIENTS_C = range(10, 90, 10)
EXAMPLES = {"good-retrofit": 0, "four-mistakes": 1, "half-stated": 0}
COMMAND, SHOWN = "docs/machines/four-mistakes.toml", ("charger-voltage", "fuse-size")
"""The command shown on the page, and what marks the paragraphs of its output that are shown."""
MOST_LINES = 9
"""As many lines of a paragraph are shown."""


@cache
def printed(name: str) -> tuple[str, int]:
    """Return what ``shakedown fit`` of an example prints in a process of its own, and its exit status."""
    return ran(str(MACHINES / f"{name}.toml"))


@cache
def ran(words: str) -> tuple[str, int]:
    """Return what ``shakedown fit`` with these words prints in a process of its own, and its exit status."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "telemetry.cli", "fit", *words.split()],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    assert done.stderr == ""
    return done.stdout, done.returncode


def gauge_row(gauge: Gauge) -> list[str]:
    def figure(field: str, value: float | None) -> str:
        mark = "m" if field in gauge.from_memory else ""
        return "–" if value is None else f"{value:g}{mark}"

    cells = [gauge.name, f"{gauge.area_mm2:.3g}", figure("stranded_ohm_per_kft", gauge.stranded_ohm_per_kft)]
    tabled = [gauge.free_air_a[column] for column in INSULATIONS_C]
    tabled += [gauge.conduit_a.get(column) for column in (60, 75, 90)]
    return [
        *cells,
        figure("most_fuse_a", gauge.most_fuse_a),
        *("–" if each is None else f"{each:g}" for each in tabled),
    ]


def conductor_tables() -> str:
    """Return the tables of conductors as Markdown."""
    in_bundle = ["60°C", "75°C", "90°C"]
    heads = [["", "", "Ω per", "highest", "free", "air,", "A:", "", "", "bundle,", "A:", ""]]
    heads += [["AWG", "mm²", "1000 ft", "fuse, A", *(f"{each}°C" for each in INSULATIONS_C), *in_bundle]]
    factors = [[f"{column}°C", *map(_factor(column), AMBIENTS_C)] for column in INSULATIONS_C]
    bundles = ", ".join(f"up to {up_to} together {factor:.2f}" for up_to, factor in BUNDLE_FACTORS)
    sizes = [["mm²", "Ω/km"], *([f"{size:g}", f"{ohm:g}"] for size, ohm in CLASS_5_OHM_PER_KM.items())]
    return "\n".join(
        [
            columns([*heads, *map(gauge_row, GAUGES)]),
            "",
            "Ω: NEC Chapter 9 Table 8 (uncoated stranded copper at 75 °C). Highest fuse: NEC 240.4(D), which binds",
            "in a bundle or a conduit. Ampacity in 30 °C air; free air: 33 CFR 183.425 Table 5; bundle or conduit:",
            "NEC Table 310.16, at most three conductors; where it has no figure, 0.70 of free air (ABYC E-11 Table",
            "VI-B, from memory).",
            "",
            "By the insulation's rating and the ambient up to °C:",
            "",
            columns([["", *map(str, AMBIENTS_C)], *factors]),
            "",
            "`√((Tc − Ta) / (Tc − 30))`, the equation of NEC 310.15(B). It gives each figure of Table 310.15(B)(1)",
            f"for 60, 75 and 90 °C. Bundle or conduit, Table 310.15(C)(1): {bundles}.",
            "",
            columns(list(zip(*sizes, strict=True))),
            "",
            "IEC 60228 class 5, flexible plain copper, the highest resistance at 20 °C.",
        ]
    )


def _factor(column: int) -> Callable[[float], str]:
    return lambda ambient: f"{factor:.2f}" if (factor := ambient_factor(ambient, column)) else "none"


def practice_table() -> str:
    """Return what the checks take of each chemistry as Markdown."""
    rows = [
        ["", "ordinary", "mΩ·Ah", "used", "mean V", "A per Ah", "Peukert", "energy", "lost a"],
        ["", "charge ends, V", "a cell", "daily", "over that", "0 to 10 °C", "k", "efficiency", "month"],
    ]
    for name, p in CELL_PRACTICE.items():
        cell = CHEMISTRIES[name]
        rows += [
            [
                name,
                f"{cell.charge_least_v:.2f}-{cell.charge_most_v:.2f}",
                f"{p.low_resistance:g}-{p.high_resistance:g}",
                f"{100 * p.usable_share:.0f}%",
                f"{p.mean_open_v:.3f}",
                "full" if p.cool_rate is None else f"{p.cool_rate:g}",
                f"{p.peukert:g}",
                f"{100 * p.energy_efficiency:.0f}%",
                f"{100 * p.monthly_loss:.0f}%",
            ]
        ]
    origins = {name: p.known_from for name, p in CELL_PRACTICE.items() if p.known_from != "from memory"}
    return "\n\n".join(
        [
            columns(rows),
            "From memory, but for " + "; ".join(f"`{name}`: {each}" for name, each in origins.items()) + ".",
        ]
    )


def blocks() -> dict[str, str]:
    """Return everything on the page that is made from the program, by its name."""
    return {"conductors": conductor_tables(), "practice": practice_table(), "output": command_block()}


def command_block() -> str:
    """Return what the command of the page prints: its head and the paragraphs that are shown."""
    head, *paragraphs = ran(COMMAND)[0].rstrip("\n").split("\n\n")
    kept = [head]
    for paragraph in paragraphs:
        if any(start in paragraph.partition(":")[0] for start in SHOWN):
            lines = paragraph.split("\n")
            kept.append("\n".join([*lines[:MOST_LINES], *(["..."] if lines[MOST_LINES:] else [])]))
        elif not kept[-1].endswith("..."):
            kept.append("...")
    text = "\n\n".join(kept)
    return f"```text\n$ shakedown fit {COMMAND}\n{text}\n```"


def test_the_command_prints_what_the_page_says() -> None:
    assert keeps("fit", "output", command_block()), "run: python -m tests.pages"


@pytest.mark.parametrize(
    "words",
    [
        "replay_data/orchard.toml --drive replay_data/orchard-mow.csv.gz",
        "replay_data/orchard.toml --try fuse_a=200 --try conductor_mm2=50",
        "--size --drive replay_data/orchard-mow.csv.gz",
    ],
)
def test_other_output_fits_a_terminal(words: str) -> None:
    assert max(map(len, ran(words)[0].splitlines())) <= 80


@pytest.mark.parametrize(("name", "status"), EXAMPLES.items())
def test_the_examples_print_what_lies_beside_them(name: str, status: int) -> None:
    text, ended = printed(name)
    assert ended == status
    lies = (MACHINES / f"{name}.txt").read_text(encoding="utf-8")
    assert lies == text, "run: python -m tests.pages"


def page() -> str:
    return PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["conductors", "practice"])
def test_the_tables_of_the_page_are_those_of_the_program(name: str) -> None:
    tables = {"conductors": conductor_tables, "practice": practice_table}
    assert keeps("fit", name, tables[name]()), "run: python -m tests.pages"


def test_every_check_is_on_the_page() -> None:
    told = page().partition("## The checks")[2].partition("\n## ")[0]
    assert re.findall(r"^\| `([a-z-]+)` \|(?:[^|\n]*\|){4}$", told, re.MULTILINE) == list(CHECKS)
    assert f"There are {len(CHECKS)} checks." in page()


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_text_fits_a_terminal_and_has_no_colour_in_a_pipe(name: str) -> None:
    text, _ = printed(name)
    assert max(map(len, text.splitlines())) <= 80
    assert "\x1b" not in text
    told = text.partition("Before you touch anything")[2]
    for caution in (
        "no tool",
        "Disconnect",
        "178 mm",
        "below 0 °C",
        "licensed electrician",
        "not the screen",
    ):
        assert told.count(caution) == 1, caution


@pytest.mark.parametrize(("name", "status"), EXAMPLES.items())
def test_json(name: str, status: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", str(MACHINES / f"{name}.toml"), "--json"]) == status
    told = json.loads(capsys.readouterr().out)
    assert list(told) == ["verdict", "findings"]
    judged = [each["check"] for each in told["findings"]]
    assert judged == [name for name in CHECKS if name in judged]
    for each in told["findings"]:
        assert list(each) == ["check", "verdict", "value", "limit", "unit", "why", "source"]
        assert each["why"]
        assert each["source"]
        if each["verdict"] == "unknown":
            assert (each["value"], each["limit"]) == (None, None)
    assert (told["verdict"] == "stop") == (status == 1)


def test_the_good_one_is_held_up_by_one_caution_and_the_bad_one_by_its_four_mistakes(capsys) -> None:
    verdicts = {}
    for name in EXAMPLES:
        main(["fit", str(MACHINES / f"{name}.toml"), "--json"])
        findings = json.loads(capsys.readouterr().out)["findings"]
        verdicts[name] = {
            v: [f["check"] for f in findings if f["verdict"] == v] for v in ("stop", "caution", "unknown")
        }
    assert verdicts["good-retrofit"] == {"stop": [], "caution": ["mass"], "unknown": []}
    assert verdicts["four-mistakes"]["stop"] == [
        "charger-voltage",
        "hill",
        "conductor-ampacity",
        "fuse-size",
        "fuse-voltage",
    ]
    assert verdicts["four-mistakes"]["unknown"] == []
    assert len(verdicts["half-stated"]["unknown"]) >= 18
    assert verdicts["half-stated"]["stop"] == []


def on_a_terminal(**environment: str) -> bytes:
    """Return what ``fit`` writes to a terminal."""
    pty = pytest.importorskip("pty")
    parent, child = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "telemetry.cli", "fit", str(MACHINES / "four-mistakes.toml")],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "PYTHONIOENCODING": "utf-8"} | environment,
        stdout=child,
    ) as process:
        os.close(child)
        text = b""
        while True:
            try:
                read = os.read(parent, 65536)
            except OSError:  # how a pseudo-terminal says that its other end is gone
                break
            if not read:
                break
            text += read
        assert process.wait() == 1
    os.close(parent)
    return text


def test_colour_repeats_the_word_on_a_terminal_and_stays_away_where_it_is_not_wanted() -> None:
    coloured = on_a_terminal()
    assert b"\x1b[1;31m[X] STOP\x1b[0m" in coloured
    plain = on_a_terminal(NO_COLOR="1")
    assert b"\x1b" not in plain
    assert re.sub(rb"\x1b\[[0-9;]*m", b"", coloured) == plain
    assert b"\x1b" not in on_a_terminal(TERM="dumb")


def test_a_bench_pack_is_named_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bench.toml"
    path.write_text('[pack]\nchemistry = "lto"\ncells_in_series = 20\ncapacity_ah = 30\n')
    assert main(["fit", str(path)]) == 0
    text = capsys.readouterr().out
    assert "bench: [?] UNKNOWN" in text
    assert "no machine" in text
    assert "Never charge" not in text


def test_what_is_not_known_is_listed_once_with_where_to_find_it_and_what_needs_it() -> None:
    findings = fit(load_machine(MACHINES / "half-stated.toml"))
    text = printed("half-stated")[0]
    told = " ".join(text.partition("To look up")[2].partition("Where the limits come from")[0].split())
    assert text.count("[?]") == 0
    for each in findings:
        for section, name in each.lacking:
            key = find_key(section, name)
            assert told.count(f"- {key.place}: ") == 1
            entry = told.partition(f"- {key.place}: ")[2].partition(" - [")[0]
            assert each.check in entry.partition("Needed for ")[2].partition(".")[0]
            assert key.find.lower() in told.lower()
        if each.lacking and each.note:
            assert each.note.split(". ")[0] in told


def test_what_is_said_without_a_key_stands_at_the_key_that_it_is_about(tmp_path: Path) -> None:
    file = tmp_path / "bare.toml"
    file.write_text('[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n[machine]\nname = "m"\n')
    told = " ".join("\n".join(look_up_lines(fit(load_machine(file)))).split())
    for cable in ("wiring", "charge_wiring"):
        (entry,) = [each for each in told.split(" - ") if each.startswith(f"[{cable}] conductor_mm2: ")]
        assert told.count(f"Or [{cable}] conductor_awg") == entry.count(f"Or [{cable}] conductor_awg") == 1


def test_contradictions_are_told_all_at_once_and_nothing_is_judged(tmp_path: Path, capsys) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(
        '[pack]\nchemistry = "lfp"\ncells_in_series = 4\ncapacity_ah = 100\ncontinuous_discharge_a = 100\n'
        "peak_discharge_a = 50\n[machine]\nminimum_voltage_v = 14\nmaximum_voltage_v = 12\n"
        "[wiring]\nconductor_mm2 = 10000\n[charger]\noutput_voltage_v = 60\noutput_current_a = 18000\n"
        "[limits.cell-sprad]\nwarn = 1\n[limits.pack-voltage-low]\nwarn = 11\ntrip = 12\n"
    )
    assert main(["fit", str(path)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "has 7 problems" in told.err
    for what in (
        "below continuous_discharge_a of 100 A",
        "below minimum_voltage_v of 14 V",
        "is 10000 mm²",
        "did you mean 18 (18000 mA)?",
        "is 60 V, far above a pack of 4 LFP cells",
        "did you mean [limits.cell-spread]",
        "is 11, below the trip of 12",
    ):
        assert what in told.err


def write() -> None:
    """Write the tables and outputs of docs/fit.md, and docs/machines/*.txt, again."""
    pages.write("fit", blocks())
    for name in EXAMPLES:
        (MACHINES / f"{name}.txt").write_text(printed(name)[0], encoding="utf-8")
