"""How a file by another logger is read: for a person and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from telemetry.model.batch import Batch
from telemetry.model.errors import printable
from telemetry.model.recording import Recording
from telemetry.model.signals import find_signal
from telemetry.model.time_text import clock, local_at
from telemetry.model.words import printed_unit

_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars", " ": "blanks"}
_NAME_AT_MOST = 26
MICROSECONDS = 1e6


def layout_line(name: str, delimiter: str, decimal: str, encoding: str) -> str:
    """Return how a table is laid out, in one sentence."""
    marks = "decimal commas" if decimal == "," else "decimal points"
    parted = _DELIMITERS.get(delimiter, printable(delimiter))
    return f"{printable(name)}: {parted} between the columns, {marks}, {encoding.removesuffix('-sig').upper()}"


def column_lines(
    recording: Recording, sources: Mapping[str, str], times: Sequence[str], first: Batch, doubts: Mapping[str, str]
) -> list[str]:
    """Return a line a column: its name, what it becomes, its first values, and what is doubtful.

    Args:
        recording: as it would be stored.
        sources: the file's own name of each signal.
        times: the columns of the time.
        first: the first rows.
        doubts: by the file's own name.

    """
    rows = [(", ".join(times) or "-", "time", _moments(recording, first), _said(doubts, times))]
    rows += [
        (sources.get(signal, ""), signal, _values(first, column, signal), _said(doubts, [sources.get(signal, "")]))
        for column, signal in enumerate(first.group.signals)
    ]
    width = min(_NAME_AT_MOST, max(len(name) for name, *_ in rows))
    signals = max(len(signal) for _, signal, *_ in rows)
    lines: list[str] = []
    for name, signal, shown, doubt in rows:
        lines.append(f"  {printable(name, width):{width}}  {signal:{signals}}  {shown}".rstrip())
        if doubt:
            lines.append(f"  {'':{width}}  ? {doubt}")
    return lines


def first_values(first: Batch) -> dict[str, list[float | None]]:
    """Return the first rows by signal, None where unknown."""
    known = {signal: first.values[:, column] for column, signal in enumerate(first.group.signals)}
    return {signal: [None if np.isnan(v) else float(v) for v in values] for signal, values in known.items()}


def _said(doubts: Mapping[str, str], names: Sequence[str]) -> str:
    return "; ".join(doubts[name] for name in names if name in doubts)


def _moments(recording: Recording, first: Batch) -> str:
    if recording.time_basis == "absolute":
        shown = local_at(int(first.t[0]))
        return shown + "".join(f", +{(t - first.t[0]) / MICROSECONDS:g} s" for t in first.t[1:].tolist())
    return ", ".join(clock(t / MICROSECONDS, tenths=True) for t in first.t.tolist())


def _values(first: Batch, column: int, signal: str) -> str:
    known = find_signal(signal)
    unit = "" if known is None or not known.unit else f" {printed_unit(known.unit)}"
    return ", ".join(_plain(first.values[:, column])) + unit


def _plain(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Iterator[str]:
    for value in values:
        yield "-" if np.isnan(value) else f"{value:.6g}"
