"""What a table by another logger is proposed to be: a column map, what is doubtful, and what must be asked."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal, cast

from telemetry.recordings.foreign.column_map import ColumnMap
from telemetry.recordings.foreign.time_columns import LocalTime, TimeKind

Topic = Literal["date", "zone", "current", "interval"]
_LEAST_INTERVAL_S, _MOST_INTERVAL_S = 1e-3, 3600.0


@dataclass(frozen=True)
class Question:
    """What only somebody who knows the recording can say.

    Attributes:
        topic: what it is about.
        text: the question.
        answers: what can be answered, the one that is assumed first; of a zone samples, of a number none.
        assumed: what is assumed unasked, in words.

    """

    topic: Topic
    text: str
    answers: tuple[str, ...]
    assumed: str

    def answer_of(self, said: str) -> str | None:
        """Return the answer that ``said`` gives, the first choice for nothing; None where it gives none."""
        if not said and self.answers:
            return self.answers[0]
        try:
            if self.topic == "zone":
                LocalTime(said)
                return said
            if self.topic == "interval":
                return said if _LEAST_INTERVAL_S <= float(said) <= _MOST_INTERVAL_S else None
        except ValueError:
            return None
        return next((each for each in self.answers if each == said.lower()), None)


@dataclass
class Proposal:
    """A column map and how sure it is.

    Attributes:
        column_map: with what is assumed where a question is open.
        questions: open ones.
        doubts: by column, what was taken to be so and might not be.

    """

    column_map: ColumnMap
    questions: list[Question] = field(default_factory=list)
    doubts: dict[str, str] = field(default_factory=dict)

    def answered(self, question: Question, answer: str) -> None:
        """Put an answer, one of the question's, into the map."""
        if question.topic == "date":
            self.column_map = replace(self.column_map, time_is=cast("TimeKind", answer))
        elif question.topic == "zone":
            self.column_map = replace(self.column_map, zone=answer)
        elif question.topic == "interval":
            self.column_map = replace(self.column_map, interval_s=float(answer))
        elif answer != question.answers[0]:
            self.column_map = turned_round(self.column_map)


def turned_round(column_map: ColumnMap) -> ColumnMap:
    """Return the map with the other sign of current."""
    columns = {
        name: replace(what, scale=-what.scale, offset=-what.offset) if what.signal == "pack_current" else what
        for name, what in column_map.columns.items()
    }
    return replace(column_map, columns=columns)
