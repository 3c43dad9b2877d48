"""Figures of the span, and its rows as a file: made by a thread, for a span of hours takes seconds."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from telemetry.analysis.series import read_series
from telemetry.analysis.stretch import StretchFigures, find_stretch
from telemetry.machine.pack_keys import Pack
from telemetry.model.errors import ShakedownError, printable
from telemetry.model.recording import Recording
from telemetry.model.time_text import clock, length
from telemetry.model.words import energy_text, fixed, power_text
from telemetry.pipeline.past import Past

_SEEN = 0.005
"""Part of the larger direction from which on the smaller one is worth its place."""


log = logging.getLogger(__name__)
_COUNTING = ["counting ..."]


class SpanFigures:
    """Finds the figures of one span at a time, and writes spans to files.

    Args:
        pack: what its owner states; None where no machine file does.
        say: shows one sentence.

    """

    def __init__(self, pack: Pack | None, say: Callable[[str], None] = lambda _: None) -> None:
        self._pack = pack
        self.say = say
        self._of: tuple[int, int] | None = None
        self._found: list[str] = []
        self._threads: list[threading.Thread] = []

    def items(self, past: Past, begin: int, end: int) -> list[str]:
        """Return the figures from ``begin`` to ``end``, microseconds after the start, once they are found."""
        if self._of != (begin, end):
            self._of, self._found = (begin, end), _COUNTING
            try:
                recording = past.recording(past.start + begin, past.start + end)
            except ShakedownError as error:
                self._found = [str(error)]
                return self._found
            self._start(self._find, (begin, end), recording)
        return self._found

    def _find(self, of: tuple[int, int], recording: Recording) -> None:
        try:
            series = read_series(recording)
            found = span_items(find_stretch(series, self._pack)) if series.signals else ["nothing was measured in it"]
        except ShakedownError as error:
            found = [str(error)]
        if self._of == of:
            self._found = found

    def write(self, past: Past, begin: int, end: int) -> None:
        """Write the measured rows from ``begin`` to ``end`` to a new CSV file in the working folder."""
        recording = past.recording(past.start + begin, past.start + end)
        times = (clock(t / 1e6).replace(":", "-") for t in (begin, end))
        name = "_".join([recording.name.removesuffix(".csv").replace(" ", "-"), *times])
        self._start(self._write, recording, name)

    def _write(self, recording: Recording, name: str) -> None:
        from telemetry.recordings.writing import write_recording

        path = next(
            path for n in range(1, 10_000) if not (path := Path(f"{name}{'' if n == 1 else f'-{n}'}.csv")).exists()
        )
        try:
            rows = write_recording(recording, path)
            self.say(f"{rows} rows written to {printable(path, 100)}")
        except ShakedownError as error:
            self.say(f"not written: {error}")

    def _start(self, work: Callable[..., None], *arguments: object) -> None:
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        thread = threading.Thread(target=self._contained, args=(work, *arguments), name="span", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _contained(self, work: Callable[..., None], *arguments: object) -> None:
        try:
            work(*arguments)
        except Exception:
            log.exception("the figures of the span failed")
            self.say("the program made a mistake here; the log file has the details")

    def wait(self) -> None:
        """Wait for what is being found or written."""
        for thread in self._threads:
            thread.join()


def span_items(found: StretchFigures) -> list[str]:
    """Return the figures that are known, what matters most first."""
    items = _both(found.energy_out_wh, found.energy_in_wh, energy_text)
    items += _both(found.charge_out_ah, found.charge_in_ah, lambda ah: f"{ah:.{2 if ah < 10 else 1}f} Ah")
    if found.mean_power_w is not None:
        items.append(f"mean {power_text(found.mean_power_w)}")
    if found.peak_power_w is not None:
        items.append(f"peak {power_text(found.peak_power_w)}")
    if found.lowest_v is not None:
        items.append(f"lowest pack {found.lowest_v:.1f} V")
    if found.lowest_cell_v is not None:
        which = "" if found.lowest_cell is None else f" ({found.lowest_cell})"
        items.append(f"lowest cell {found.lowest_cell_v:.3f} V{which}")
    if found.resistance_mohm is not None:
        items.append(f"10 s resistance {_with_bound(found.resistance_mohm, found.resistance_bound_mohm)} mΩ")
    elif found.energy_out_wh is not None:
        items.append(f"resistance not known: {found.why_no_resistance}")
    if found.gaps_s >= 1.0:
        items.append(f"{length(found.gaps_s)} of gaps left out")
    return items


def _both(out: float | None, into: float | None, text: Callable[[float], str]) -> list[str]:
    if out is None or into is None:
        return []
    most = max(out, into)
    ways = ((out, "out"), (into, "in"))
    return [f"{text(amount)} {way}" for amount, way in ways if amount >= _SEEN * most and (amount or way == "out")]


def _with_bound(value: float, bound: float | None) -> str:
    if bound is None:
        return f"{value:.3g}"
    places = 2 if bound < 0.095 else 1 if bound < 0.95 else 0
    return f"{fixed(value, places)} ± {bound:.{places}f}"
