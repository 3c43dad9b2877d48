"""Answers of the program kept in files, and where new ones differ; and the recordings that they are about."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from telemetry.machine.machine_file import Machine, load_machine, parse_machine
from telemetry.model.recording import Recording
from telemetry.recordings.reading import open_recording

ROOT = Path(__file__).parents[1]
PACKS = ROOT / "tests" / "reference" / "packs"
TRUTH = json.loads((PACKS / "reference_packs.json").read_text())
CLOSE = 1e-4
"""Relative: far below what any figure promises, far above what another version of numpy changes."""


def session(name: str, machine: str) -> tuple[Recording, Machine]:
    """Return a committed session and its machine."""
    folder = ROOT / "replay_data"
    return open_recording(folder / f"{name}.csv.gz"), load_machine(folder / f"{machine}.toml")


def reference_pack(name: str) -> tuple[Recording, Machine]:
    """Return a pack that PyBaMM simulated, and a machine file that states no more than its owner would know."""
    truth = TRUTH[name]
    text = f'[pack]\nchemistry = "{truth["chemistry"]}"\ncells_in_series = {truth["cells"]}\n'
    machine, _ = parse_machine(f"{text}capacity_ah = {truth['capacity_ah']}\n", "pack.toml")
    assert machine is not None
    return open_recording(PACKS / f"{name}.csv.gz"), machine


class KeptAnswers:
    """A folder with one file of JSON for each case."""

    def __init__(self, folder: Path, find: Callable[[str], Any]) -> None:
        self._folder, self._find = folder, find

    def differences(self, case: str) -> list[str]:
        """Return where the answer differs from the kept one by more than :data:`CLOSE`."""
        kept = json.loads((self._folder / f"{case}.json").read_text(encoding="utf-8"))
        return differences(json.loads(json.dumps(self._find(case))), kept)

    def take_anew(self, cases: Iterable[str]) -> None:
        """Keep what is found now."""
        self._folder.mkdir(exist_ok=True)
        for case in cases:
            text = json.dumps(self._find(case), indent=1, sort_keys=True)
            text = re.sub(r"\[[^][{}]*\]", lambda row: " ".join(row[0].split()), text)  # a row of numbers, one line
            (self._folder / f"{case}.json").write_text(text + "\n", encoding="utf-8")


def differences(one: Any, other: Any, where: str = "") -> list[str]:
    """Return where two objects of JSON differ, one sentence each."""
    if isinstance(one, dict) and isinstance(other, dict):
        keys = sorted({*one, *other})
        return [
            each for key in keys for each in differences(one.get(key, ...), other.get(key, ...), f"{where}.{key}")
        ]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return [each for at, (a, b) in pairs for each in differences(a, b, f"{where}[{at}]")]
    if isinstance(one, float | int) and isinstance(other, float | int):
        return (
            [] if one == pytest.approx(other, rel=CLOSE, abs=1e-6, nan_ok=True) else [f"{where}: {one} was {other}"]
        )
    return [] if one == other else [f"{where}: {one!r} was {other!r}"]
