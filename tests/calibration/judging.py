"""Judge figures session by session. What was judged is written as it goes, so that a stopped run goes on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import astuple
from functools import cache
from pathlib import Path
from typing import Any

from tests.calibration.case import Kind
from tests.calibration.figure import Figure, Row

_ROOT = Path(__file__).parents[2]
_JUDGED = ("telemetry/analysis", "telemetry/machine", "telemetry/model", "drivers/simulated", "tests/calibration")
_SUFFIXES = {".py", ".json", ".csv"}


@cache
def code() -> str:
    """Return a name of the code and data that decide what is found: what other code found does not count."""
    files = sorted(path for room in _JUDGED for path in (_ROOT / room).rglob("*") if path.suffix in _SUFFIXES)
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:12]


class Kept:
    """Rows of sessions, in ``folder`` a file a figure and a line a session; those that other code found are left out.

    None keeps them until the run ends.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder, self._code = folder, code()  # as the run begins: the files may change meanwhile
        self._found: dict[tuple[str, str], list[Row]] = {}
        for path in [] if folder is None else sorted(folder.glob("*.jsonl")):
            for line in path.read_text(encoding="utf-8").splitlines():
                each = _read(line)
                if each is not None and each["code"] == self._code:
                    self._found[path.stem, each["session"]] = [Row(*row) for row in each["rows"]]

    def get(self, figure: str, session: str) -> list[Row] | None:
        """Return what a figure's session gave; None where it was not judged yet."""
        return self._found.get((figure, session))

    def add(self, figure: str, session: str, rows: Sequence[Row]) -> None:
        """Keep what a session gave, on the disk before this returns."""
        self._found[figure, session] = list(rows)
        if self._folder is None:
            return
        self._folder.mkdir(parents=True, exist_ok=True)
        line = json.dumps({"code": self._code, "session": session, "rows": [astuple(row) for row in rows]})
        with (self._folder / f"{figure}.jsonl").open("a", encoding="utf-8") as stream:
            stream.write(f"\n{line}")  # first: so a line that a stopped run cut costs no other


def _read(line: str) -> dict[str, Any] | None:
    """Return one line's session; None where the run was stopped in the middle of it."""
    try:
        return dict(json.loads(line))
    except ValueError:
        return None


def judged(
    figures: Sequence[Figure],
    sessions: int,
    seeds: range,
    kept: Kept | None = None,
    enough: Callable[[int], bool] = lambda done: False,
) -> tuple[dict[str, list[Row]], int]:
    """Return the rows of each figure by name, and of how many sessions each.

    Each has ``sessions`` sessions, spread evenly over its kinds and drawn by ``seeds`` in order. What several figures
    ask for is drawn once and judged for all of them in turn.

    Args:
        kept: what earlier runs judged, which is not judged again; takes what this one judges.
        enough: asked before each session that is judged, with the number of those done; once true, they are returned.
    """
    kept = Kept() if kept is None else kept
    asking: dict[tuple[Kind, int], list[tuple[Figure, int]]] = {}
    for number in range(sessions):
        for figure in figures:
            key = figure.kinds[number % len(figure.kinds)], seeds[number // len(figure.kinds)]
            asking.setdefault(key, []).append((figure, number))
    rows: dict[str, dict[int, list[Row]]] = {figure.name: {} for figure in figures}
    done = sessions
    for (kind, seed), those in asking.items():
        session = f"{kind.name} {seed}"
        left = [figure for figure, _ in those if kept.get(figure.name, session) is None]
        if left:
            if enough(those[0][1]):
                done = those[0][1]
                break
            case = kind.draw(seed)
            for figure in left:
                kept.add(figure.name, session, list(figure.rows(case)))
        for figure, number in those:
            rows[figure.name][number] = kept.get(figure.name, session) or []
    whole = {name: [row for number in sorted(of) if number < done for row in of[number]] for name, of in rows.items()}
    return whole, done
