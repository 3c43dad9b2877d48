"""What the header of a recording says: which column is the time, and which signal each of the others carries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from telemetry.model.errors import RecordingError, did_you_mean, printable
from telemetry.model.recording import TimeBasis
from telemetry.model.signals import extra_name, find_signal, free_name, known_names, nearest_signals

_SAID = 4  # names that are listed
TIME_COLUMNS: dict[str, TimeBasis] = {"t": "relative", "time": "absolute"}
COLUMN_LIMIT = 1000
# Ten years: beyond it, seconds are a date in Unix time and not a run.
RELATIVE_LIMIT_S = 315_360_000

_TIME_REMEDY = "name one column t (seconds from the start) or time (ISO 8601 with zone)"


@dataclass(frozen=True)
class Columns:
    """A header understood.

    Attributes:
        names: every column as the file names it, in the file's order.
        time_basis: ``relative`` for a ``t`` column, ``absolute`` for ``time``.
        time_place: place of the time in ``names``.
        places: place of each signal in ``names``.
        signals: the signal name for each of ``places``.
        warnings: one sentence for each column that is carried under another name.

    """

    names: tuple[str, ...]
    time_basis: TimeBasis
    time_place: int
    places: tuple[int, ...]
    signals: tuple[str, ...]
    warnings: tuple[str, ...]


def columns_of(header: Sequence[str], file: str) -> Columns:
    """Return what the column names ``header`` of ``file`` mean.

    Raises:
        RecordingError: no column or two columns of time, a name twice, no known signal, or too many columns.

    """
    names = tuple(name.strip() for name in header)
    if len(names) > COLUMN_LIMIT:
        raise RecordingError(f"{file}: {len(names)} columns are more than the {COLUMN_LIMIT} we read; leave some out")
    for name in names:
        if name and names.count(name) > 1:
            raise RecordingError(f"{file}: column {printable(name)} is in the header twice; rename or remove one")
    time_place = _time_place(names, file)
    places = tuple(place for place in range(len(names)) if place != time_place)
    if not places:
        raise RecordingError(f"{file}: there is no column besides {names[time_place]}; add at least one signal")
    if not any(find_signal(names[place]) for place in places):
        raise RecordingError(_no_signal_known([names[place] for place in places], file))
    signals, warnings = _signals(names, places, file)
    return Columns(names, TIME_COLUMNS[names[time_place]], time_place, places, signals, warnings)


def _time_place(names: Sequence[str], file: str) -> int:
    found = [place for place, name in enumerate(names) if name in TIME_COLUMNS]
    if len(found) == 1:
        return found[0]
    if found:
        raise RecordingError(f"{file}: both t and time are in the header; keep the one that counts")
    near = next((name for name in names if name.lower() in TIME_COLUMNS or "time" in name.lower()), None)
    seen = f", and {printable(near)} is neither" if near else ""
    raise RecordingError(f"{file}: no column is named t or time{seen}; {_TIME_REMEDY}")


def _no_signal_known(names: Sequence[str], file: str) -> str:
    shown = ", ".join(printable(name) or "(no name)" for name in names[:_SAID]) + (
        ", ..." if len(names) > _SAID else ""
    )
    near = list(dict.fromkeys(best for name in names[:20] for best in nearest_signals(name)))[:4]
    samples = ", ".join(known_names()[:3])
    proposal = f"did you mean {', '.join(near)}?" if near else f"signals are named like {samples}"
    return f"{file}: none of its columns is a signal we know ({shown}); {proposal}"


def _signals(names: Sequence[str], places: Sequence[int], file: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the signal of each of ``places``, each once, and the warnings."""
    taken = {names[place] for place in places if _is_measured(names[place])}
    signals: list[str] = []
    warnings: list[str] = []
    computed: list[str] = []
    for place in places:
        name = names[place]
        if _is_measured(name):
            signals.append(name)
            continue
        carried = free_name(extra_name(name), taken)
        taken.add(carried)
        signals.append(carried)
        if find_signal(name) is not None:
            computed.append(f"{name} as {carried}")
        else:
            what = f"column {printable(name)}" if name else f"column {place + 1} without a name"
            near = did_you_mean(name.lower(), known_names())
            warnings.append(f"{file}: {what} is not a signal we know; kept as {carried}{near}")
    if computed:
        warnings.append(f"{file}: computed columns are kept aside and calculated again: {', '.join(computed)}")
    return tuple(signals), tuple(warnings)


def _is_measured(name: str) -> bool:
    signal = find_signal(name)
    return signal is not None and not signal.is_derived
