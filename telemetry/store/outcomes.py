"""What each session came to, kept once made: finding it takes seconds, and a list shows hundreds.

What is kept counts only for the version of the program that made it and for the machine file it was made with.
"""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal, get_args

from telemetry.store.connection import connect_for_reading, write_beside
from telemetry.store.trouble import reading

OutcomeWord = Literal["PARK", "DRIVE GENTLY", "DRIVE ON", "NOT ENOUGH SEEN", "CHARGED", "NO VALUES", "NOT READABLE"]
"""The verdict of the report; or that it was a charge without a fault, that it is empty, that it cannot be read."""

PowerColumn = tuple[float, float] | None
"""Lowest and highest power of a stretch, W; None where it is not known."""


@dataclass(frozen=True)
class Outcome:
    """What a session came to.

    Attributes:
        session: its number.
        word: in one word.
        why: in a few words, empty where all is well.
        reason, next: the two sentences of the report.
        energy_wh: out of the pack less what came back, Wh; below zero for a charge. None where not known.
        figures: labels and values as shown.
        power: of stretches of equal length from its first row to its last.

    """

    session: int
    word: OutcomeWord
    why: str = ""
    reason: str = ""
    next: str = ""
    energy_wh: float | None = None
    figures: tuple[tuple[str, str], ...] = ()
    power: tuple[PowerColumn, ...] = ()

    @cached_property
    def peak_w(self) -> float:
        """The greatest power either way, W; 0 where none is known."""
        return max((abs(value) for column in self.power if column is not None for value in column), default=0.0)


def outcome_text(outcome: Outcome) -> str:
    """Return ``outcome`` as one line of JSON."""
    return json.dumps(asdict(outcome), allow_nan=False)


def outcome_from(text: str) -> Outcome:
    """Return the outcome that :func:`outcome_text` wrote.

    Raises:
        ValueError: it is none.

    """
    try:
        told = json.loads(text)
        if told["word"] not in get_args(OutcomeWord):
            raise ValueError(f"there is no outcome {told['word']!r}")
        return Outcome(
            int(told["session"]),
            told["word"],
            str(told["why"]),
            str(told["reason"]),
            str(told["next"]),
            None if told["energy_wh"] is None else float(told["energy_wh"]),
            tuple((str(label), str(value)) for label, value in told["figures"]),
            tuple(None if each is None else (float(each[0]), float(each[1])) for each in told["power"]),
        )
    except (KeyError, TypeError, IndexError, OverflowError) as error:
        raise ValueError(f"not an outcome: {error}") from error


def kept_outcomes(path: Path, program: str) -> dict[int, Outcome]:
    """Return the outcomes kept in the store at ``path`` that still count, by session.

    Args:
        path: the store.
        program: version of this program.

    Raises:
        StoreError: it cannot be read.

    """
    found: dict[int, Outcome] = {}
    with closing(connect_for_reading(path)) as db, reading(path):
        rows = db.execute(
            "SELECT session.id, told FROM outcome JOIN session ON session.id = outcome.session"
            " WHERE program = ? AND outcome.digest IS session.digest",
            [program],
        ).fetchall()
    for session, text in rows:
        try:
            outcome = outcome_from(text)
        except ValueError:  # damaged: it is made anew
            continue
        if outcome.session == session:
            found[session] = outcome
    return found


def keep_outcome(path: Path, outcome: Outcome, program: str, digest: str | None) -> None:
    """Keep ``outcome`` in the store at ``path``, in place of an older one.

    Args:
        path: the store.
        outcome: of one of its sessions.
        program: version of this program.
        digest: of the machine file recorded with the session.

    Raises:
        StoreError: it cannot be written.

    """
    with write_beside(path) as db:
        db.execute(
            "INSERT OR REPLACE INTO outcome (session, program, digest, told)"
            " SELECT id, ?, ?, ? FROM session WHERE id = ?",
            [program, digest, outcome_text(outcome), outcome.session],
        )
