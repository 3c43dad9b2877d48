"""A section of a report: some labelled figures and sentences under a heading, which text and page both print."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.report.numbers import UNKNOWN


@dataclass(frozen=True)
class Row:
    """One figure: what it is, how much, and a remark that belongs to it."""

    label: str
    value: str
    remark: str = ""


@dataclass(frozen=True)
class Section:
    """Some figures under a heading; ``charts`` names the charts that belong there."""

    title: str
    rows: tuple[Row, ...] = ()
    sentences: tuple[str, ...] = ()
    charts: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to print, charts aside."""
        return not self.rows and not self.sentences

    @classmethod
    def of_figures(
        cls, title: str, *rows: Row, sentences: tuple[str, ...] = (), charts: tuple[str, ...] = ()
    ) -> Section:
        """Return a section of the rows whose value is known; why the others are not known is said elsewhere."""
        return cls(title, tuple(row for row in rows if UNKNOWN not in row.value), sentences, charts)
