"""What is kept from run to run: how far each target is, and every input that was against the rules."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from .target import Target
from .worker import Outcome

PAGE = Path(__file__).parents[1] / "results.md"
BEGIN, END = "<!-- fuzzing -->", "<!-- end of fuzzing -->"
_HEAD = "| reader | inputs | mean | slowest | memory | against the rules | made | seed |\n|" + "---|" * 8
MOST_OF_A_KIND = 3


@dataclass
class Progress:
    """How far one target is: inputs tried, and the worst of them."""

    done: int = 0
    seconds: float = 0.0
    slowest: float = 0.0
    memory: int = 0
    made: str = ""

    def add(self, outcome: Outcome) -> None:
        """Take in what another run found."""
        self.done += outcome.done
        self.seconds += outcome.seconds
        self.slowest = max(self.slowest, outcome.slowest)
        self.memory = max(self.memory, outcome.memory)
        self.made = datetime.now(UTC).date().isoformat()


class Kept:
    """Results in a folder; ``failures`` maps each kind of failure to the inputs that show it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self._seed = seed
        self._file = folder / f"progress-{seed}.json"
        stated = json.loads(self._file.read_text()) if self._file.exists() else {}
        self.progress = {name: Progress(**each) for name, each in stated.items()}
        self.kinds: dict[str, int] = {}

    def add(self, target: Target, outcome: Outcome) -> list[str]:
        """Keep an outcome; return a sentence for each failure of a new kind."""
        self.progress.setdefault(target.name, Progress()).add(outcome)
        self.folder.mkdir(parents=True, exist_ok=True)
        told = []
        for number, what in outcome.failures:
            kind = f"{target.name}: {re.sub(r'[0-9]+', 'N', what)}"
            self.kinds[kind] = self.kinds.get(kind, 0) + 1
            if self.kinds[kind] <= MOST_OF_A_KIND:
                path = self.folder / f"{target.name}-{self._seed}-{number}.fuzz"
                about = {"target": target.name, "seed": self._seed, "number": number, "what": what}
                path.write_bytes(json.dumps(about).encode() + b"\n" + target.input(self._seed, number))
                told.append(f"{target.name}: {what}\n  replay it: python -m tests.fuzz --replay {path}")
        self._file.write_text(json.dumps({name: asdict(each) for name, each in self.progress.items()}, indent=1))
        return told


def read_failure(path: Path) -> tuple[str, bytes]:
    """Return the target's name and the input that a kept file holds."""
    head, _, data = path.read_bytes().partition(b"\n")
    return str(json.loads(head)["target"]), data


def write_table(
    kept: Kept, targets: list[Target], open_failures: dict[str, int], seed: int, page: Path = PAGE
) -> None:
    """Put one row a target into the page; ``open_failures`` counts the kept inputs that still fail."""
    text = page.read_text(encoding="utf-8")
    before, found, rest = text.partition(BEGIN)
    _, ended, after = rest.partition(END)
    if not (found and ended):
        raise ValueError(f"{page} has no {BEGIN} ... {END}")
    rows = []
    for target in targets:
        each = kept.progress.get(target.name, Progress())
        mean = f"{1e3 * each.seconds / each.done:.2g} ms" if each.done else "-"
        worst = (f"{each.slowest:.2f} s", f"{each.memory / 1e6:.0f} MB") if each.done else ("-", "-")
        cells = (target.what, f"{each.done:,}", mean, *worst, open_failures.get(target.name, 0), each.made, seed)
        rows.append("| " + " | ".join(map(str, cells)) + " |")
    whole = (
        f"| all | {sum(each.done for each in kept.progress.values()):,} | | | | {sum(open_failures.values())} | | |"
    )
    page.write_text("\n".join([before + BEGIN, _HEAD, *rows, whole, END]) + after, encoding="utf-8")
