"""What a table by another logger is proposed to be: a column map, what is doubtful, and what must be asked."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from telemetry.model.keys import BadValue, keys_of
from telemetry.model.kinds import read_typed
from telemetry.model.questions import Question
from telemetry.recordings.foreign.column_map import ColumnMap

_SIGN = "sign of current"


@dataclass(frozen=True)
class Unknown:
    """What only somebody who knows the recording can say.

    Attributes:
        question: how to ask for it; its key is the column map's that the answer becomes, or the sign of current.
        assumed: what is assumed unasked, in words.

    """

    question: Question
    assumed: str

    def read(self, said: str) -> Any:
        """Return a typed answer as the value it is.

        Raises:
            BadValue: it is none.

        """
        choices = self.question.choices
        if not choices:
            return read_typed(next(key for key in keys_of(ColumnMap) if key.name == self.question.key), said)
        if said.lower() not in choices:
            raise BadValue("is none of the choices", f"type {' or '.join(choices)}")
        return said.lower()


def sign_unknown(column: str) -> Unknown:
    """Return the question whether the current of a column counts as this program's does."""
    text = f"The voltage does not tell: is {column} positive while driving (out of the pack)?"
    return Unknown(Question(_SIGN, text, "yes", ("yes", "no")), f"{column} positive out of the pack")


@dataclass
class Proposal:
    """A column map and how sure it is.

    Attributes:
        column_map: with what is assumed where a question is open.
        unknown: what has to be asked.
        doubts: by column, what was taken to be so and might not be.

    """

    column_map: ColumnMap
    unknown: list[Unknown] = field(default_factory=list)
    doubts: dict[str, str] = field(default_factory=dict)

    def answered(self, unknown: Unknown, value: Any) -> None:
        """Put an answer, as its :meth:`Unknown.read` gives it, into the map."""
        if unknown.question.key != _SIGN:
            self.column_map = replace(self.column_map, **{unknown.question.key: value})
        elif value == "no":
            self.column_map = turned_round(self.column_map)


def turned_round(column_map: ColumnMap) -> ColumnMap:
    """Return the map with the other sign of current."""
    columns = {
        name: replace(what, scale=-what.scale, offset=-what.offset) if what.signal == "pack_current" else what
        for name, what in column_map.columns.items()
    }
    return replace(column_map, columns=columns)
